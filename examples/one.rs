//! x
#[path = "../tests/courses/mod.rs"]
mod courses;
use courses::*;
use matledger::engine::{Layout, Member, run};
fn main() {
    for seed in std::env::args().skip(1).map(|v| v.parse::<u64>().unwrap()) {
        let c = Course::random(seed);
        let m: Member<f64> = draws(1, 1000 + seed).remove(0);
        println!("seed {seed} {m:?}\n clip/yr {:.0} work {}", c.clippings.iter().sum::<f64>() / 10.0, c.work.len());
        for w in c.work.iter().take(16) {
            println!("   {} {:?}", w.date, w.work);
        }
        let base = Layout { fine_mm: 0.5, coarse_mm: 0.5, blur_percent_mm: 0.0, ..Layout::default() };
        let r = |d: usize| -> Vec<f64> {
            let l = Layout { stretch_days: d, ..base };
            run(&c.plan(l, &m), &m, |_, _| {}).unwrap().readings.iter().map(|r| r.om_percent()).collect()
        };
        let one = r(1);
        for d in [30] {
            let x = r(d);
            let e: Vec<String> = (0..10).map(|y| format!("{:+.4}", x[4 * y] - one[4 * y])).collect();
            println!("  {d:2} d {}", e.join(" "));
        }
        println!("  om {}", (0..10).map(|y| format!("{:.3}", one[4 * y])).collect::<Vec<_>>().join(" "));
    }
}

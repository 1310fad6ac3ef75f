//! Members that go on from the end of a plan against whole runs.

use chrono::{Days, NaiveDate};
use matledger::column::{Column, Densities, Profile, Sample};
use matledger::engine::{Ahead, Arrived, Dated, Layout, Member, Onward, Plan, Scenario, Spells, arrive, run};
use matledger::practice::tine::Tine;
use matledger::practice::work::{Coring, Topdressing, Work};
use proptest::prelude::*;

const TOP: Sample = Sample::Window { top_mm: 0.0, bottom_mm: 20.0 };
const DEEP: Sample = Sample::Window { top_mm: 20.0, bottom_mm: 60.0 };

fn date(text: &str) -> NaiveDate {
    text.parse().unwrap()
}

fn season(days: usize) -> (Vec<f64>, Vec<f64>) {
    let warm = |d: usize| 0.5 - 0.5 * (2.0 * std::f64::consts::PI * d as f64 / 365.25).cos();
    ((0..days).map(warm).collect(), (0..days).map(|d| 0.3 + 1.5 * warm(d)).collect())
}

fn sand(text: &str, mm: f64) -> Dated {
    let work = Work::Topdressing(Topdressing { sand_g_m2: mm * 1600.0, passes: 1, picked_up_share: 0.01 });
    Dated { date: date(text), work }
}

fn cores(text: &str) -> Dated {
    let work = Work::Coring(Coring {
        tine: Tine { inside_diameter_mm: 12.7 },
        spacing_mm: (50.0, 50.0),
        depth_mm: 70.0,
        depth_sd_mm: 5.0,
        passes: 1,
        returned_mineral_share: 0.2,
        returned_om_share: 0.1,
        holes_open_days: 14,
    });
    Dated { date: date(text), work }
}

/// Holes are open on the first day to come, in the middle of a year.
const START: &str = "2012-01-01";
const AHEAD: &str = "2013-06-10";
const END: &str = "2016-06-10";

fn past() -> Vec<Dated> {
    vec![sand("2012-06-01", 0.8), cores("2012-09-10"), sand("2012-09-10", 2.0), cores("2013-06-05")]
}

fn to_come() -> Vec<Dated> {
    let own = [sand("2013-06-11", 1.5), cores("2014-04-10"), sand("2014-04-10", 2.5), cores("2015-09-01")];
    let light = (0..30).map(|n| Dated { date: date("2013-07-01") + Days::new(14 * n), ..sand("2013-07-01", 0.4) });
    own.into_iter().chain(light).collect()
}

fn samples() -> Vec<(NaiveDate, Sample)> {
    [AHEAD, "2014-06-10", END]
        .iter()
        .flat_map(|day| [TOP, DEEP, Sample::AboveRootZone].map(|s| (date(day), s)))
        .collect()
}

fn days(from: &str, to: &str) -> usize {
    (date(to) - date(from)).num_days() as usize
}

struct Site {
    clippings: Vec<f64>,
    modifier: Vec<f64>,
    past: Vec<Dated>,
}

impl Site {
    fn new(past: Vec<Dated>, growth: f64) -> Self {
        let (clippings, modifier) = season(days(START, END));
        Self { clippings: clippings.iter().map(|c| c * growth).collect(), modifier, past }
    }

    fn scenario<'a>(
        &'a self,
        days: usize,
        work: &'a [Dated],
        samples: &'a [(NaiveDate, Sample)],
        layout: Layout,
        nominal: &'a Member<f64>,
    ) -> Scenario<'a> {
        Scenario {
            start: date(START),
            clippings_g_m2: &self.clippings[..days],
            decay_modifier: &self.modifier[..days],
            work,
            recorded_before: date(AHEAD),
            samples,
            profiles: &[],
            layout,
            nominal,
        }
    }

    /// Percentages of a run in one piece.
    fn whole(&self, layout: Layout, member: &Member<f64>) -> (Vec<f64>, usize) {
        let work: Vec<Dated> = self.past.iter().copied().chain(to_come()).collect();
        let samples = samples();
        let plan = Plan::new(&self.scenario(self.clippings.len(), &work, &samples, layout, member)).unwrap();
        let outcome = run(&plan, member, |_, _| {}).unwrap();
        (outcome.readings.iter().map(matledger::column::Reading::om_percent).collect(), outcome.years.len())
    }

    fn arrived(&self, layout: Layout, members: &[Member<f64>]) -> Vec<Arrived> {
        let plan = Plan::new(&self.scenario(days(START, AHEAD), &self.past, &[], layout, &members[0])).unwrap();
        arrive(&plan, members).unwrap().into_iter().map(|member| member.past_years(1)).collect()
    }

    fn spells(&self) -> Spells {
        let past = days(START, AHEAD);
        Spells::new(self.clippings[past..].to_vec(), self.modifier[past..].to_vec(), 30)
    }
}

fn members(count: usize) -> Vec<Member<f64>> {
    (0..count)
        .map(|n| {
            let mut member = Member::typical();
            member.litter_ratio *= 1.0 + 0.03 * n as f64;
            member.fill_fraction += 0.01 * n as f64;
            member.profile.surface_percent += 0.1 * n as f64;
            member.year_multipliers = vec![1.0, 0.9, 1.1, 1.2, 0.8];
            member
        })
        .collect()
}

#[test]
fn a_member_that_goes_on_ends_as_in_one_piece() {
    let site = Site::new(past(), 1.0);
    let layout = Layout { stretch_days: 15, ..Layout::default() };
    let member = members(1).swap_remove(0);
    let (whole, years) = site.whole(layout, &member);
    let arrived = site.arrived(layout, std::slice::from_ref(&member));
    assert_eq!(arrived[0].closes_in(), Some(9));
    let onward = Onward::new(&arrived).unwrap();
    let (spells, work, samples) = (site.spells(), to_come(), samples());
    let plan = onward.plan(&Ahead { start: date(AHEAD), spells: &spells, work: &work, samples: &samples, layout });
    let outcome = onward.run(&plan).unwrap().swap_remove(0);
    for (one, parts) in whole.iter().zip(&outcome.readings) {
        assert!((one - parts.om_percent()).abs() < 1e-9, "{one} {}", parts.om_percent());
    }
    // The year under way is one account, from its first day.
    assert_eq!(outcome.years.len(), years - 1);
}

#[test]
fn members_of_two_pasts_cut_alike_go_on_together_and_stay_near_the_daily_scheme() {
    let mut other = past();
    other[1].date = date("2012-08-20");
    other.push(sand("2013-05-01", 3.0));
    let sites = [Site::new(past(), 1.0), Site::new(other, 1.0)];
    let fitted = Layout { stretch_days: 15, ..Layout::default() };
    let search = Layout {
        fine_mm: 1.5,
        fine_to_mm: 15.0,
        coarse_mm: 20.0,
        blur_percent_mm: 0.2,
        stretch_days: 30,
        ..Layout::default()
    };
    let daily = Layout { fine_mm: 1.0, coarse_mm: 1.0, blur_percent_mm: f64::INFINITY, ..Layout::default() };
    let members = members(10);
    let arrived: Vec<Arrived> =
        sites.iter().flat_map(|site| site.arrived(fitted, &members)).map(|member| member.recut(&search)).collect();
    let onward = Onward::new(&arrived).unwrap();
    let (spells, work) = (sites[0].spells(), to_come());
    let samples = [(date(END), TOP), (date(END), DEEP)];
    let ahead = Ahead { start: date(AHEAD), spells: &spells, work: &work, samples: &samples, layout: search };
    onward.validate(&ahead).unwrap();
    let found = onward.om_percent(&onward.plan(&ahead)).unwrap();
    let mut worst: f64 = 0.0;
    for (s, site) in sites.iter().enumerate() {
        for (m, member) in members.iter().enumerate().step_by(3) {
            let (whole, _) = site.whole(daily, member);
            for window in 0..2 {
                worst = worst.max((found[window][s * members.len() + m] - whole[6 + window]).abs());
            }
        }
    }
    assert!(worst < 0.05, "{worst}");
}

#[test]
fn members_that_cannot_go_on_together_are_refused() {
    let layout = Layout::default();
    let members = members(1);
    let arrived = |past: Vec<Dated>| Site::new(past, 1.0).arrived(layout, &members).swap_remove(0);
    let later = vec![cores("2013-06-08")];
    let text = Onward::new(&[arrived(past()), arrived(later)]).unwrap_err().to_string();
    assert!(text.contains("cut alike"), "{text}");
    assert!(Onward::new(&[]).is_err());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 60, ..ProptestConfig::default() })]
    #[test]
    fn a_column_cut_anew_holds_what_it_held(
        thick in prop::collection::vec(0.3..9.0f64, 3..25),
        faces in prop::collection::vec(0.2..12.0f64, 1..25),
    ) {
        let profile = Profile { base_percent: 1.0, surface_percent: 6.0, scale_mm: 15.0 };
        let column = Column::new(&thick, &profile, 0.4, Densities { mineral: 1.60, om: 0.244 });
        let faces: Vec<f64> = faces.iter().scan(0.0, |depth, step| { *depth += step; Some(*depth) }).collect();
        let recut = column.recut(&faces);
        prop_assert_eq!(recut.len(), faces.len() + 1);
        prop_assert!((recut.total_om() / column.total_om() - 1.0).abs() < 1e-12);
        prop_assert!((recut.total_mineral() / column.total_mineral() - 1.0).abs() < 1e-12);
        prop_assert!((0..recut.len()).all(|i| recut.mineral[i] >= -1e-9 && recut.young[i] >= -1e-9));
        // A parcel's thickness is that between its faces, up to slopes that differ between pools.
        let mut top = 0.0;
        for (k, face) in faces.iter().enumerate().filter(|(_, face)| **face < thick.iter().sum::<f64>()) {
            let thickness = recut.thickness_mm(recut.len() - 1 - k);
            prop_assert!((thickness - (face - top)).abs() < 0.03 * (face - top) + 1e-9, "{} {}", thickness, face - top);
            top = *face;
        }
    }
}

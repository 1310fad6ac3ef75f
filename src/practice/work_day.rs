//! The order of a day's work: who does which step on which green, and when it is done.

use crate::error::{Problems, Result};

/// A step of the day's work, done green by green.
#[derive(Debug, Clone, PartialEq)]
pub struct Step {
    /// Name.
    pub name: String,
    /// Which machine it needs: steps of one number share it; `None` needs none.
    pub machine: Option<usize>,
    /// People that it takes.
    pub people: u32,
    /// Time that it takes on each green (h); 0 where it is not done.
    pub hours: Vec<f64>,
}

/// When a step is done on a green (h after the start).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Slot {
    /// Which step.
    pub step: usize,
    /// Which green.
    pub green: usize,
    /// Start (h).
    pub from_h: f64,
    /// End (h).
    pub to_h: f64,
}

/// Lays a day's steps out in time.
///
/// On a green the steps follow each other; a machine does one green at a time, of `machines` there are so many; no more
/// people work at once than the crew has. Greens are taken in the order given, each step as early as people and machine
/// allow (a serial schedule; Kolisch 1996, Eur. J. Oper. Res. 90:320-333, from memory). Ends of steps are the only times
/// at which one may start, so nothing is searched on a grid.
///
/// ```
/// use matledger::practice::work_day::{Step, schedule};
/// let step = |name: &str, machine| Step { name: name.into(), machine: Some(machine), people: 1, hours: vec![1.0; 3] };
/// let slots = schedule(&[step("core", 0), step("sweep", 1)], &[1, 1], 2).unwrap();
/// assert_eq!(slots.iter().map(|slot| slot.to_h).fold(0.0, f64::max), 4.0);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a crew too small for a step, a step without its machine, or times below 0.
pub fn schedule(steps: &[Step], machines: &[u32], crew: u32) -> Result<Vec<Slot>> {
    let mut p = Problems::default();
    let greens = steps.first().map_or(0, |step| step.hours.len());
    for step in steps {
        let name = &step.name;
        let most = format!("no more than the crew ({crew})");
        p.require(step.people <= crew, format!("{name}.people"), step.people, most);
        p.require(step.people > 0, format!("{name}.people"), step.people, "at least one");
        if let Some(machine) = step.machine {
            let there = machines.get(machine).copied().unwrap_or(0);
            p.require(there > 0, format!("{name}.machines"), there, "at least one");
        }
        p.require(step.hours.len() == greens, format!("{name}.hours"), step.hours.len(), "one for each green");
        for hours in &step.hours {
            p.require(hours.is_finite() && *hours >= 0.0, format!("{name}.hours"), hours, "a time of 0 h or more");
        }
    }
    p.into_result(())?;
    let mut slots: Vec<Slot> = Vec::new();
    for green in 0..greens {
        let mut ready = 0.0_f64;
        for (index, step) in steps.iter().enumerate() {
            let hours = step.hours[green];
            if hours == 0.0 {
                continue;
            }
            let from_h = earliest(&slots, steps, machines, crew, step, ready, hours);
            ready = from_h + hours;
            slots.push(Slot { step: index, green, from_h, to_h: ready });
        }
    }
    slots.sort_by(|a, b| a.from_h.total_cmp(&b.from_h));
    Ok(slots)
}

fn earliest(slots: &[Slot], steps: &[Step], machines: &[u32], crew: u32, step: &Step, ready: f64, hours: f64) -> f64 {
    let mut later: Vec<f64> = slots.iter().map(|slot| slot.to_h).filter(|end| *end > ready).collect();
    later.sort_by(f64::total_cmp);
    let fits = |from: f64| {
        let beside: Vec<&Slot> = slots.iter().filter(|slot| slot.from_h < from + hours && slot.to_h > from).collect();
        let mut moments: Vec<f64> = beside.iter().map(|slot| slot.from_h.max(from)).collect();
        moments.push(from);
        moments.iter().all(|moment| {
            let now = || beside.iter().filter(|slot| slot.from_h <= *moment && slot.to_h > *moment);
            let people: u32 = now().map(|slot| steps[slot.step].people).sum();
            let same = now().filter(|slot| steps[slot.step].machine == step.machine).count() as u32;
            people + step.people <= crew && step.machine.is_none_or(|machine| same < machines[machine])
        })
    };
    // After the last end nobody works, so the last candidate always fits.
    let last = later.last().copied().unwrap_or(ready);
    std::iter::once(ready).chain(later).find(|from| fits(*from)).unwrap_or(last)
}

/// Trips of a cart for a mass and a loose volume, whichever asks for more.
///
/// Mass in kg, volume in L; `payload_kg` and `bed_l` are what the cart takes.
///
/// ```
/// use matledger::practice::work_day::cart_trips;
/// assert_eq!(cart_trips(2100.0, 1500.0, 500.0, 400.0).unwrap(), 5);
/// ```
///
/// # Errors
/// [`crate::Error::Input`] for a negative amount, or a cart that takes nothing.
pub fn cart_trips(mass_kg: f64, volume_l: f64, payload_kg: f64, bed_l: f64) -> Result<u32> {
    let mut p = Problems::default();
    for (place, amount) in [("mass_kg", mass_kg), ("volume_l", volume_l)] {
        p.require(amount.is_finite() && amount >= 0.0, place, amount, "0 or more");
    }
    for (place, room) in [("payload_kg", payload_kg), ("bed_l", bed_l)] {
        p.require(room.is_finite() && room > 0.0, place, room, "more than 0");
    }
    p.into_result(())?;
    Ok(super::spreading::whole_rounds((mass_kg / payload_kg).max(volume_l / bed_l)))
}

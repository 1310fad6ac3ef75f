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
/// people work at once than the crew has. Whenever someone is done, greens are looked at in the order given and what can
/// begin does (list scheduling; Graham 1969, SIAM J. Appl. Math. 17:416-429, from memory): good, not always the best.
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
    let todo: Vec<Vec<usize>> =
        (0..greens).map(|green| (0..steps.len()).filter(|step| steps[*step].hours[green] > 0.0).collect()).collect();
    let mut next = vec![0; greens];
    let mut slots: Vec<Slot> = Vec::new();
    let mut running: Vec<Slot> = Vec::new();
    let mut now = 0.0_f64;
    loop {
        for green in 0..greens {
            let Some(&step) = todo[green].get(next[green]).filter(|_| running.iter().all(|r| r.green != green)) else {
                continue;
            };
            let working: u32 = running.iter().map(|slot| steps[slot.step].people).sum();
            let busy = running.iter().filter(|slot| steps[slot.step].machine == steps[step].machine).count() as u32;
            let free = steps[step].machine.is_none_or(|machine| busy < machines[machine]);
            if free && working + steps[step].people <= crew {
                let slot = Slot { step, green, from_h: now, to_h: now + steps[step].hours[green] };
                slots.push(slot);
                running.push(slot);
                next[green] += 1;
            }
        }
        let Some(soonest) = running.iter().map(|slot| slot.to_h).min_by(f64::total_cmp) else {
            return Ok(slots);
        };
        now = soonest;
        running.retain(|slot| slot.to_h > now);
    }
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
    Ok(super::spreading::whole_up((mass_kg / payload_kg).max(volume_l / bed_l)))
}

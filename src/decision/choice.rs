//! One option for each green under shared limits: an exact choice in whole numbers.

use crate::error::{Error, Problems, Result};
use good_lp::{Expression, ProblemVariables, ResolutionError, Solution, SolverModel, microlp, variable};

/// Something that all greens share: what each option uses of it, and how much there is.
#[derive(Debug, Clone, PartialEq)]
pub struct Limit {
    /// Name for the reader.
    pub name: String,
    /// What option `option` uses on green `green`: `uses[green][option]`.
    pub uses: Vec<Vec<f64>>,
    /// How much there is.
    pub most: f64,
}

/// Something that greens use together: once for all of them, however many choose an option that needs it.
#[derive(Debug, Clone, PartialEq)]
pub struct Together {
    /// Name for the reader.
    pub name: String,
    /// What each event uses, and the options that need it.
    pub events: Vec<(f64, Vec<usize>)>,
    /// How much there is.
    pub most: f64,
}

/// The best option for each green, and its worth.
#[derive(Debug, Clone, PartialEq)]
pub struct Choice {
    /// Option by green.
    pub option: Vec<usize>,
    /// Sum of the worths chosen.
    pub worth: f64,
}

/// Chooses one option for each green so that the summed worth is greatest and no limit is passed; `None` if nothing
/// fits the limits.
///
/// Solved exactly by branch and bound (`good_lp` on microlp). An event happens as soon as one green needs it: `z >= sum of x`
/// over the options of a green that need it, for every green.
///
/// ```
/// use matledger::decision::choice::{Limit, Together, choose};
/// // two greens, one or two corings each; money for three
/// let worth = vec![vec![0.5, 0.9], vec![0.6, 0.8]];
/// let money = Limit { name: "corings".into(), uses: vec![vec![1.0, 2.0]; 2], most: 3.0 };
/// assert_eq!(choose(&worth, &[money], &[]).unwrap().unwrap().option, [1, 0]);
/// // the course may close on one day a year: once it does, both greens can be cored on it
/// let closed = Together { name: "closed days".into(), events: vec![(1.0, vec![1])], most: 1.0 };
/// assert_eq!(choose(&worth, &[], &[closed]).unwrap().unwrap().option, [1, 1]);
/// ```
///
/// # Errors
/// [`Error::Input`] for no green, greens without an option or of unequal shape, and numbers that are not finite;
/// [`Error::Numerical`] if the solver fails.
pub fn choose(worth: &[Vec<f64>], limits: &[Limit], together: &[Together]) -> Result<Option<Choice>> {
    validate(worth, limits, together)?;
    let mut variables = ProblemVariables::new();
    let x: Vec<Vec<_>> =
        worth.iter().map(|options| options.iter().map(|_| variables.add(variable().binary())).collect()).collect();
    let sum = |table: &[Vec<f64>]| -> Expression {
        table.iter().zip(&x).flat_map(|(row, x)| row.iter().zip(x).map(|(value, x)| *value * *x)).sum()
    };
    let happens: Vec<Vec<_>> = together
        .iter()
        .map(|shared| shared.events.iter().map(|_| variables.add(variable().min(0.0).max(1.0))).collect())
        .collect();
    let mut model = variables.maximise(sum(worth)).using(microlp);
    for green in &x {
        model.add_constraint(green.iter().sum::<Expression>().eq(1.0));
    }
    // Scaled to 1 so that a solver's tolerance means the same for tonnes and for money.
    let scaled = |used: Expression, most: f64| {
        let scale = most.abs().max(1e-9);
        (used * (1.0 / scale)).leq(most / scale)
    };
    for limit in limits {
        model.add_constraint(scaled(sum(&limit.uses), limit.most));
    }
    for (shared, z) in together.iter().zip(&happens) {
        for ((_, options), z) in shared.events.iter().zip(z) {
            for green in &x {
                let needs = |(option, x)| options.contains(&option).then_some(x);
                let needed: Expression = green.iter().copied().enumerate().filter_map(needs).sum();
                model.add_constraint(needed.leq(*z));
            }
        }
        let used = shared.events.iter().zip(z).map(|((use_of, _), z)| *use_of * *z).sum();
        model.add_constraint(scaled(used, shared.most));
    }
    let solution = match model.solve() {
        Ok(solution) => solution,
        Err(ResolutionError::Infeasible) => return Ok(None),
        Err(error) => return Err(Error::Numerical(format!("the choice by green was not solved: {error}"))),
    };
    let option: Vec<usize> = x
        .iter()
        .map(|green| (0..green.len()).max_by(|a, b| solution.value(green[*a]).total_cmp(&solution.value(green[*b]))))
        .map(Option::unwrap_or_default)
        .collect();
    let worth = option.iter().zip(worth).map(|(option, options)| options[*option]).sum();
    Ok(Some(Choice { option, worth }))
}

fn validate(worth: &[Vec<f64>], limits: &[Limit], together: &[Together]) -> Result<()> {
    let mut p = Problems::default();
    let options = worth.first().map_or(0, Vec::len);
    p.require(options > 0, "worth", "none", "at least one green with at least one option");
    let mut table = |place: &str, rows: &[Vec<f64>]| {
        let shaped = rows.len() == worth.len() && rows.iter().all(|row| row.len() == options);
        p.require(shaped, place, format!("{} rows", rows.len()), format!("{} rows of {options}", worth.len()));
        let finite = rows.iter().flatten().all(|value| value.is_finite());
        p.require(finite, place, "a number that is not finite", "finite numbers");
    };
    table("worth", worth);
    for limit in limits {
        table(&format!("limits[{}].uses", limit.name), &limit.uses);
    }
    for Together { name, events, .. } in together {
        let sound = events
            .iter()
            .all(|(uses, needed)| uses.is_finite() && *uses >= 0.0 && needed.iter().all(|&option| option < options));
        let expected = format!("uses of 0 or more, and options below {options}");
        p.require(sound, format!("together[{name}].events"), "an event out of range", expected);
    }
    let limits = limits.iter().map(|limit| ("limits", &limit.name, limit.most));
    for (kind, name, most) in limits.chain(together.iter().map(|shared| ("together", &shared.name, shared.most))) {
        p.require(most.is_finite() && most >= 0.0, format!("{kind}[{name}].most"), most, "0 or more, finite");
    }
    p.into_result(())
}

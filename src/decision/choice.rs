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
/// Solved exactly by branch and bound (good_lp on microlp).
///
/// ```
/// use matledger::decision::choice::{Limit, choose};
/// // two greens, one or two corings each; money for three
/// let worth = vec![vec![0.5, 0.9], vec![0.6, 0.8]];
/// let money = Limit { name: "corings".into(), uses: vec![vec![1.0, 2.0]; 2], most: 3.0 };
/// assert_eq!(choose(&worth, &[money]).unwrap().unwrap().option, [1, 0]);
/// ```
///
/// # Errors
/// [`Error::Input`] for no green, greens without an option or of unequal shape, and numbers that are not finite;
/// [`Error::Numerical`] if the solver fails.
pub fn choose(worth: &[Vec<f64>], limits: &[Limit]) -> Result<Option<Choice>> {
    validate(worth, limits)?;
    let mut variables = ProblemVariables::new();
    let x: Vec<Vec<_>> =
        worth.iter().map(|options| options.iter().map(|_| variables.add(variable().binary())).collect()).collect();
    let sum = |table: &[Vec<f64>]| -> Expression {
        table.iter().zip(&x).flat_map(|(row, x)| row.iter().zip(x).map(|(value, x)| *value * *x)).sum()
    };
    let mut model = variables.maximise(sum(worth)).using(microlp);
    for green in &x {
        model.add_constraint(green.iter().sum::<Expression>().eq(1.0));
    }
    for limit in limits {
        // Scaled to 1 so that a solver's tolerance means the same for tonnes and for money.
        let scale = limit.most.abs().max(1e-9);
        model.add_constraint((sum(&limit.uses) * (1.0 / scale)).leq(limit.most / scale));
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

fn validate(worth: &[Vec<f64>], limits: &[Limit]) -> Result<()> {
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
    for limit in limits {
        let place = format!("limits[{}].most", limit.name);
        p.require(limit.most.is_finite() && limit.most >= 0.0, place, limit.most, "0 or more, finite");
    }
    p.into_result(())
}

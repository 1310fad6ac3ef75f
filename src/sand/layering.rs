//! One sand on another: does the finer fall into the coarser, does water pass, is the coarser one uniform.

use super::grading::Grading;
use crate::error::{Problems, Result};

/// Least and most D15 of a filter over a base (mm): `D15F > 5 D15B`, `D15F < 5 D85B` and `D15F < 40 D15B` (US Army Corps
/// of Engineers; `tests/checks/filter_example_usace.csv`).
///
/// ```
/// let (least, most) = matledger::sand::layering::filter_d15_mm(0.17, 1.5);
/// assert!((least - 0.85).abs() < 1e-12 && (most - 6.8).abs() < 1e-12);
/// ```
pub fn filter_d15_mm(base_d15_mm: f64, base_d85_mm: f64) -> (f64, f64) {
    (5.0 * base_d15_mm, (5.0 * base_d85_mm).min(40.0 * base_d15_mm))
}

/// Most of the bridging factor at which the finer material holds on the coarser.
pub const BRIDGING_MOST: f64 = 8.0;
/// Least of the permeability factor at which the coarser material drains the finer freely.
pub const PERMEABILITY_LEAST: f64 = 5.0;
/// Most of the uniformity factor.
pub const UNIFORMITY_MOST: f64 = 3.0;

/// Two layers, and the factors of the finer against the coarser.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layering {
    /// Whether the upper layer is the finer one, by D50.
    pub finer_above: bool,
    /// D15, D50 and D85 of the upper over those of the lower layer (-).
    pub ratios: [f64; 3],
    /// `D15` of the coarser over `D85` of the finer; at most 8 and the finer bridges (USGA table 2, read).
    pub bridging: f64,
    /// `D15` of the coarser over `D15` of the finer; at least 5 and water passes freely (USGA table 2, read).
    pub permeability: f64,
    /// `D90` over `D15` of the coarser; at most 3 (USGA table 2, read).
    pub uniformity: f64,
}

impl Layering {
    /// Compares an upper with a lower layer.
    ///
    /// # Errors
    /// [`crate::Error::Input`] where the sieves of either do not reach a size that is needed.
    pub fn new(upper: &Grading, lower: &Grading) -> Result<Self> {
        let mut p = Problems::default();
        let mut size = |name: &str, sand: &Grading, percent: f64| {
            let found = sand.d_mm(percent);
            let expected = "sieves fine and coarse enough to hold that size between two of them";
            p.require(found.is_some(), name, format!("D{percent} lies beyond the sieves"), expected);
            found.unwrap_or(f64::NAN)
        };
        let mut sizes = |name: &str, sand: &Grading| [15.0, 50.0, 85.0, 90.0].map(|percent| size(name, sand, percent));
        let (above, below) = (sizes("upper", upper), sizes("lower", lower));
        p.into_result(())?;
        let finer_above = above[1] <= below[1];
        let (fine, coarse) = if finer_above { (above, below) } else { (below, above) };
        Ok(Self {
            finer_above,
            ratios: [0, 1, 2].map(|i| above[i] / below[i]),
            bridging: coarse[0] / fine[2],
            permeability: coarse[0] / fine[0],
            uniformity: coarse[3] / coarse[0],
        })
    }

    /// Whether the finer layer holds on the coarser one.
    pub fn bridges(&self) -> bool {
        self.bridging <= BRIDGING_MOST
    }

    /// Whether the coarser layer is so much coarser that it drains the finer freely; a layer as in a drainage blanket.
    pub fn drains(&self) -> bool {
        self.permeability >= PERMEABILITY_LEAST
    }

    /// Whether the coarser layer is uniform.
    pub fn is_uniform(&self) -> bool {
        self.uniformity <= UNIFORMITY_MOST
    }
}

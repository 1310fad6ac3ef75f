//! Sieves, and the classes of size that they bound.

/// Nominal openings of the sieves by US number (mm), after ASTM E11; most are from memory, numbers 4, 10, 20, 40, 60,
/// 80, 100 and 200 were read in worked examples.
pub const US_SIEVES: [(u32, f64); 28] = [
    (4, 4.75),
    (5, 4.0),
    (6, 3.35),
    (7, 2.8),
    (8, 2.36),
    (10, 2.0),
    (12, 1.7),
    (14, 1.4),
    (16, 1.18),
    (18, 1.0),
    (20, 0.85),
    (25, 0.71),
    (30, 0.6),
    (35, 0.5),
    (40, 0.425),
    (45, 0.355),
    (50, 0.3),
    (60, 0.25),
    (70, 0.212),
    (80, 0.18),
    (100, 0.15),
    (120, 0.125),
    (140, 0.106),
    (170, 0.09),
    (200, 0.075),
    (230, 0.063),
    (270, 0.053),
    (325, 0.045),
];

/// Opening of a US sieve (mm); `None` for a number that is not in [`US_SIEVES`].
///
/// ```
/// assert_eq!(matledger::sand::sieve::us_sieve_mm(60), Some(0.25));
/// ```
pub fn us_sieve_mm(number: u32) -> Option<f64> {
    US_SIEVES.iter().find(|(known, _)| *known == number).map(|(_, opening)| *opening)
}

/// A sieve stands for a class limit when their sizes differ by no more than this share: sieve 270 (0.053 mm) parts sand
/// from silt at 0.05 mm, and sieve 6 (3.35 mm) closes the gravel at 3.4 mm.
pub const STANDS_FOR: f64 = 0.065;

/// A system of size classes: name, lower and upper size (mm), coarse first.
pub type Classes = [(&'static str, f64, f64)];

/// Classes of the United States Department of Agriculture (read: `tests/checks/size_classes.csv`).
pub const USDA_CLASSES: [(&str, f64, f64); 7] = [
    ("very coarse sand", 1.0, 2.0),
    ("coarse sand", 0.5, 1.0),
    ("medium sand", 0.25, 0.5),
    ("fine sand", 0.1, 0.25),
    ("very fine sand", 0.05, 0.1),
    ("silt", 0.002, 0.05),
    ("clay", 0.0, 0.002),
];

/// Classes of the USGA's root-zone table, which parts fine from very fine sand at 0.15 mm (read:
/// `tests/checks/size_classes.csv`).
pub const USGA_CLASSES: [(&str, f64, f64); 8] = [
    ("fine gravel", 2.0, 3.4),
    ("very coarse sand", 1.0, 2.0),
    ("coarse sand", 0.5, 1.0),
    ("medium sand", 0.25, 0.5),
    ("fine sand", 0.15, 0.25),
    ("very fine sand", 0.05, 0.15),
    ("silt", 0.002, 0.05),
    ("clay", 0.0, 0.002),
];

//! How finely a member's ground must be cut to read it within an error.

use super::plan::Layout;

/// A choice of parcels, and the error that it leaves.
struct Grade {
    fine_mm: f64,
    edge_mm: f64,
    coarse_mm: f64,
    blur_percent_mm: f64,
    /// Largest error of a run's readings at [`difficulty`] 1 (% OM).
    error_percent: f64,
}

const fn grade(fine_mm: f64, edge_mm: f64, coarse_mm: f64, blur_percent_mm: f64, error_percent: f64) -> Grade {
    Grade { fine_mm, edge_mm, coarse_mm, blur_percent_mm, error_percent }
}

/// From coarse to fine. The errors are such that one of 300 random courses of ten years lay beyond what a grade promises
/// (courses 10,000 to 10,299 of `tests/courses`, full priors, against the daily scheme in parcels of 0.25 mm);
/// `tests/batch.rs` tests them on other courses.
const GRADES: [Grade; 4] = [
    grade(2.0, 0.5, 10.0, 0.1, 0.034),
    grade(1.0, 0.5, 10.0, 0.05, 0.0185),
    grade(0.5, 0.25, 10.0, 0.05, 0.0108),
    grade(0.25, 0.25, 5.0, 0.03, 0.0068),
];

/// Depth down to which the parcels of a grade are fine (mm), and its longest stretches (d).
const FINE_TO_MM: f64 = 12.0;
const STRETCH_DAYS: usize = 60;

/// How the error of any grade rises: with the growth of the surface layer (mm a year) and with the organic matter of what
/// is laid down in a year (%). The powers are those of least squares over the same courses, rounded.
pub(super) fn difficulty(growth_mm: f64, laid_percent: f64) -> f64 {
    growth_mm.sqrt() * (laid_percent / 10.0).sqrt().sqrt()
}

/// The coarsest grade that reads within an error (% OM); the finest where none does.
pub(super) fn within(error_percent: f64, difficulty: f64) -> usize {
    let holds = |grade: &Grade| grade.error_percent * difficulty <= error_percent;
    GRADES.iter().position(holds).unwrap_or(GRADES.len() - 1)
}

/// A layout cut as a grade says; depths stay.
pub(super) fn cut(layout: Layout, grade: usize) -> Layout {
    let Grade { fine_mm, edge_mm, coarse_mm, blur_percent_mm, .. } = GRADES[grade];
    let (fine_to_mm, stretch_days) = (FINE_TO_MM, STRETCH_DAYS);
    Layout { fine_mm, fine_to_mm, coarse_mm, edge_mm, blur_percent_mm, stretch_days, ..layout }
}

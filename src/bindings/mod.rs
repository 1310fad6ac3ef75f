//! Python classes over the crate: one file per class or family, no science.

use pyo3::prelude::*;

mod calibration;
mod decision;
mod engine;
mod errors;
mod forecast;
mod growth;
mod practice;
mod sand;
mod sites;
mod study;
mod watch;
mod weather;

/// The private extension module `matledger._core`.
#[pymodule]
mod _core {
    #[pymodule_export]
    const VERSION: &str = env!("CARGO_PKG_VERSION");
    #[pymodule_export]
    const SAND_BULK_DENSITY_G_CM3: f64 = crate::practice::work::SAND_BULK_DENSITY_G_CM3;
    #[pymodule_export]
    const SHARED_CLIPPING_LOG_SD: f64 = crate::calibration::SHARED_CLIPPING_LOG_SD;
    #[pymodule_export]
    use super::calibration::{PySite, lesson};
    #[pymodule_export]
    use super::decision::{choose, cover, days_to_cover, healing, scan};
    #[pymodule_export]
    use super::engine::{PyBatch, simulate, unknown_fields};
    #[pymodule_export]
    use super::forecast::{PyForecast, drivers, forecast};
    #[pymodule_export]
    use super::growth::{
        annual_degree_days, check_clipping_record, daily_clippings, dry_g_m2, dry_matter_g_l, site_yield,
    };
    #[pymodule_export]
    use super::practice::{PyCalendar, PyProgramme, PyWork, passes_to_fill, spreader_swaths};
    #[pymodule_export]
    use super::sand::{
        PyGrading, PySpecification, bulk_density_g_cm3, cart_trips, catch_pans, deliveries, filter_d15_mm, porosity,
        sand_by_day, sand_shares, schedule, size_classes, us_sieves,
    };
    #[pymodule_export]
    use super::sites::PySites;
    #[pymodule_export]
    use super::study::{hole_share_variance, mixed_model, pool, test_count, trials};
    #[pymodule_export]
    use super::watch::keep_to_one_thread;
    #[pymodule_export]
    use super::weather::{PyWeather, decay_modifier, degree_days, growth_potential, soil_temperature};
}

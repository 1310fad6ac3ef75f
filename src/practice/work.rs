//! One kind of work each: what is opened, what is taken away, what sand goes where.

use super::tine::{Tine, hole_area_fraction, holes_per_m2};
use crate::error::{Problems, Result};

/// Bulk density that turns a depth of topdressing sand into mass (g/cm3): 100 lb/ft3, the trade's figure.
pub const SAND_BULK_DENSITY_G_CM3: f64 = 1.60;

/// Days that holes stay open to sand. Common practice, no source.
pub const HOLES_OPEN_DAYS: u32 = 14;

/// Sand of one piece of work above this is taken for a slip (g/m2): 100 mm.
const MOST_SAND_G_M2: f64 = 160_000.0;

/// Coring with hollow tines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Coring {
    /// The tine.
    pub tine: Tine,
    /// Spacing of the holes along and across the direction of travel (mm).
    pub spacing_mm: (f64, f64),
    /// Depth reached (mm), measured where it was.
    pub depth_mm: f64,
    /// Standard deviation of the depth reached between holes (mm).
    pub depth_sd_mm: f64,
    /// Passes over the same ground on the day.
    pub passes: u32,
    /// Share of the cores' mineral that is worked back in (-).
    pub returned_mineral_share: f64,
    /// Share of the cores' organic matter that is worked back in (-).
    pub returned_om_share: f64,
    /// Days that the holes stay open to sand.
    pub holes_open_days: u32,
}

/// Holes pushed by solid tines: nothing is taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SolidTining {
    /// Diameter of the tine (mm).
    pub diameter_mm: f64,
    /// Spacing of the holes along and across the direction of travel (mm).
    pub spacing_mm: (f64, f64),
    /// Depth reached (mm).
    pub depth_mm: f64,
    /// Standard deviation of the depth reached between holes (mm).
    pub depth_sd_mm: f64,
    /// Passes over the same ground on the day.
    pub passes: u32,
    /// Days that the holes stay open to sand.
    pub holes_open_days: u32,
}

/// Grooves cut by vertical blades.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct VerticalMowing {
    /// Width of a blade (mm).
    pub blade_width_mm: f64,
    /// Distance between blades (mm).
    pub blade_spacing_mm: f64,
    /// Depth (mm).
    pub depth_mm: f64,
    /// Passes over the same ground on the day.
    pub passes: u32,
    /// Share of the lifted material that is taken away (-); about 0.3, from memory and wide.
    pub removed_share: f64,
    /// Days that the grooves stay open to sand.
    pub holes_open_days: u32,
}

/// Sand blown or jetted into a depth range, with little or nothing taken out.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SandInjection {
    /// Dry sand (g/m2).
    pub sand_g_m2: f64,
    /// Upper end of the range that takes the sand (mm).
    pub from_mm: f64,
    /// Lower end of the range that takes the sand (mm).
    pub to_mm: f64,
}

/// Sand spread on the surface; open holes take it first.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Topdressing {
    /// Dry sand over all passes (g/m2).
    pub sand_g_m2: f64,
    /// Passes of spreading and dragging.
    pub passes: u32,
    /// Share of the sand left on the surface that mowers pick up (-); up to 0.03 (Stier & Hollman 2003).
    pub picked_up_share: f64,
}

/// One piece of work on a green.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Work {
    /// Coring with hollow tines.
    Coring(Coring),
    /// Solid tining.
    SolidTining(SolidTining),
    /// Vertical mowing.
    VerticalMowing(VerticalMowing),
    /// Sand injection.
    SandInjection(SandInjection),
    /// Topdressing.
    Topdressing(Topdressing),
}

/// What a work opens, in the one form that the column understands.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Opening {
    /// Share of the surface opened (-), passes overlapping at random.
    pub area_share: f64,
    /// Depth reached (mm).
    pub depth_mm: f64,
    /// Standard deviation of the depth reached (mm).
    pub depth_sd_mm: f64,
    /// Share of the opened material that leaves its place (-).
    pub lifted_share: f64,
    /// Share of the opened volume that can take sand (-).
    pub open_share: f64,
    /// Share of the lifted mineral that is worked back in (-).
    pub returned_mineral_share: f64,
    /// Share of the lifted organic matter that is worked back in (-).
    pub returned_om_share: f64,
    /// Days that it stays open to sand.
    pub open_days: u32,
}

impl Work {
    /// Share of the surface that one pass opens (-); 0 for work that opens none.
    pub fn area_fraction(&self) -> f64 {
        match self {
            Work::Coring(w) => hole_area_fraction(w.tine.inside_diameter_mm, w.spacing_mm),
            Work::SolidTining(w) => hole_area_fraction(w.diameter_mm, w.spacing_mm),
            Work::VerticalMowing(w) => w.blade_width_mm / w.blade_spacing_mm,
            Work::SandInjection(_) | Work::Topdressing(_) => 0.0,
        }
    }

    /// Passes over the same ground.
    pub fn passes(&self) -> u32 {
        match self {
            Work::Coring(w) => w.passes,
            Work::SolidTining(w) => w.passes,
            Work::VerticalMowing(w) => w.passes,
            Work::Topdressing(w) => w.passes,
            Work::SandInjection(_) => 1,
        }
    }

    /// Share of the surface that all passes open (-), overlapping at random: `1 - (1 - f)^passes`.
    pub fn area_share(&self) -> f64 {
        1.0 - (1.0 - self.area_fraction()).powi(self.passes().cast_signed())
    }

    /// Plain sum of the passes' shares (-), the figure that the trade quotes.
    pub fn area_plain_sum(&self) -> f64 {
        self.area_fraction() * f64::from(self.passes())
    }

    /// Holes in a square metre over all passes (1/m2); `None` for work without holes.
    pub fn holes_per_m2(&self) -> Option<f64> {
        match self {
            Work::Coring(w) => Some(holes_per_m2(w.spacing_mm) * f64::from(w.passes)),
            Work::SolidTining(w) => Some(holes_per_m2(w.spacing_mm) * f64::from(w.passes)),
            _ => None,
        }
    }

    /// Volume opened, as a depth over the whole surface (mm = L/m2).
    pub fn hole_volume_mm(&self) -> f64 {
        self.opening().map_or(0.0, |o| o.area_share * o.open_share * o.depth_mm)
    }

    /// Dry sand brought (g/m2).
    pub fn sand_g_m2(&self) -> f64 {
        match self {
            Work::SandInjection(w) => w.sand_g_m2,
            Work::Topdressing(w) => w.sand_g_m2,
            _ => 0.0,
        }
    }

    /// What the work opens; `None` for work that opens nothing.
    pub fn opening(&self) -> Option<Opening> {
        let whole = |depth_mm, depth_sd_mm, open_days| Opening {
            area_share: self.area_share(),
            depth_mm,
            depth_sd_mm,
            lifted_share: 0.0,
            open_share: 1.0,
            returned_mineral_share: 0.0,
            returned_om_share: 0.0,
            open_days,
        };
        match self {
            Work::Coring(w) => Some(Opening {
                lifted_share: 1.0,
                returned_mineral_share: w.returned_mineral_share,
                returned_om_share: w.returned_om_share,
                ..whole(w.depth_mm, w.depth_sd_mm, w.holes_open_days)
            }),
            Work::SolidTining(w) => Some(whole(w.depth_mm, w.depth_sd_mm, w.holes_open_days)),
            // What is lifted but not taken away falls back: only the part that left is open to sand.
            Work::VerticalMowing(w) => Some(Opening {
                lifted_share: w.removed_share,
                open_share: w.removed_share,
                ..whole(w.depth_mm, 0.0, w.holes_open_days)
            }),
            Work::SandInjection(_) | Work::Topdressing(_) => None,
        }
    }

    /// Checks every number against its domain.
    ///
    /// # Errors
    /// [`crate::Error::Input`] with every problem, placed as `coring.depth_mm` and the like.
    pub fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        let positive = |p: &mut Problems, place: &str, v: f64, what: &str| {
            p.require(v.is_finite() && v > 0.0, place, v, what);
        };
        let sand = |p: &mut Problems, place: &str, v: f64| {
            let expected = format!("sand above 0 and at most {} kg/m2", MOST_SAND_G_M2 / 1000.0);
            p.require(v > 0.0 && v <= MOST_SAND_G_M2, place, v, expected);
        };
        let share = |p: &mut Problems, place: &str, v: f64| {
            p.require((0.0..=1.0).contains(&v), place, v, "a share from 0 to 1");
        };
        let holes = |p: &mut Problems, kind: &str, diameter: (&str, f64), spacing: (f64, f64), depth: f64, sd: f64| {
            positive(p, &format!("{kind}.{}", diameter.0), diameter.1, "a diameter above 0 mm");
            positive(p, &format!("{kind}.spacing_mm[0]"), spacing.0, "a spacing above 0 mm");
            positive(p, &format!("{kind}.spacing_mm[1]"), spacing.1, "a spacing above 0 mm");
            let least = spacing.0.min(spacing.1);
            p.require(
                diameter.1 <= least || diameter.1.is_nan() || least.is_nan(),
                format!("{kind}.spacing_mm"),
                least,
                format!("at least the tine's diameter ({} mm)", diameter.1),
            );
            positive(p, &format!("{kind}.depth_mm"), depth, "a depth above 0 mm");
            p.require(sd.is_finite() && sd >= 0.0, format!("{kind}.depth_sd_mm"), sd, "0 mm or more");
        };
        match self {
            Work::Coring(w) => {
                let d = ("tine.inside_diameter_mm", w.tine.inside_diameter_mm);
                holes(&mut p, "coring", d, w.spacing_mm, w.depth_mm, w.depth_sd_mm);
                share(&mut p, "coring.returned_mineral_share", w.returned_mineral_share);
                share(&mut p, "coring.returned_om_share", w.returned_om_share);
            }
            Work::SolidTining(w) => {
                holes(&mut p, "solid_tining", ("diameter_mm", w.diameter_mm), w.spacing_mm, w.depth_mm, w.depth_sd_mm);
            }
            Work::VerticalMowing(w) => {
                positive(&mut p, "vertical_mowing.blade_width_mm", w.blade_width_mm, "a width above 0 mm");
                p.require(
                    w.blade_spacing_mm.is_finite() && w.blade_spacing_mm > w.blade_width_mm,
                    "vertical_mowing.blade_spacing_mm",
                    w.blade_spacing_mm,
                    format!("more than the blade's width ({} mm)", w.blade_width_mm),
                );
                positive(&mut p, "vertical_mowing.depth_mm", w.depth_mm, "a depth above 0 mm");
                share(&mut p, "vertical_mowing.removed_share", w.removed_share);
            }
            Work::SandInjection(w) => {
                sand(&mut p, "sand_injection.sand_g_m2", w.sand_g_m2);
                p.require(
                    w.from_mm.is_finite() && w.from_mm >= 0.0,
                    "sand_injection.from_mm",
                    w.from_mm,
                    "0 mm or more, finite",
                );
                p.require(
                    w.to_mm.is_finite() && w.to_mm > w.from_mm,
                    "sand_injection.to_mm",
                    w.to_mm,
                    format!("a depth below from_mm ({} mm)", w.from_mm),
                );
            }
            Work::Topdressing(w) => {
                sand(&mut p, "topdressing.sand_g_m2", w.sand_g_m2);
                share(&mut p, "topdressing.picked_up_share", w.picked_up_share);
            }
        }
        p.require(
            (1..=20).contains(&self.passes()),
            format!("{}.passes", self.kind()),
            self.passes(),
            "1 to 20 passes",
        );
        p.into_result(())
    }

    /// The trade's name of the work in snake case, as used in records and error places.
    pub fn kind(&self) -> &'static str {
        match self {
            Work::Coring(_) => "coring",
            Work::SolidTining(_) => "solid_tining",
            Work::VerticalMowing(_) => "vertical_mowing",
            Work::SandInjection(_) => "sand_injection",
            Work::Topdressing(_) => "topdressing",
        }
    }
}

//! From a calendar to a fixed tape of stretches, work and readings.

use super::kernel::State;
use super::member::Member;
use crate::column::decay::DAYS_PER_YEAR;
use crate::column::{Column, LONGEST_SPAN_YEARS, LitterDepths, Sample, Weathering};
use crate::error::{Problems, Result};
use crate::practice::work::{Opening, Work};
use chrono::{Datelike, Days, NaiveDate};
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::{Arc, OnceLock};

pub use crate::practice::programme::Dated;

/// How the ground is cut into parcels, and how long the depths of litter may be held.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Layout {
    /// Depth of the column at the start (mm).
    pub column_depth_mm: f64,
    /// Thickness of parcels near the surface (mm).
    pub fine_mm: f64,
    /// Depth down to which parcels are fine (mm); below it their thickness grows in proportion to depth.
    pub fine_to_mm: f64,
    /// Thickness that they grow to (mm).
    pub coarse_mm: f64,
    /// Thickness of parcels about a sharp edge no deeper than the surface litter's (mm): the lower end of that litter, of
    /// sand that is injected or of holes; in proportion to depth below it.
    pub edge_mm: f64,
    /// Two parcels are merged while that moves less organic matter across their common face than this much concentration
    /// over this much depth (% mm): layers of sand stay layers. Infinite: whatever they hold.
    pub blur_percent_mm: f64,
    /// Thickness of the thatch-mat layer at the start (mm): what lies below it is the original root zone.
    pub mat_depth_mm: f64,
    /// Depths that take litter.
    pub litter: LitterDepths,
    /// Longest stretch over which the litter's shares are held (d); 1 is the daily scheme.
    pub stretch_days: usize,
    /// Most litter that may fall in one stretch of more than a day, as thickness (mm): the error of holding the shares is
    /// of the second order in it.
    pub stretch_litter_mm: f64,
}

impl Default for Layout {
    fn default() -> Self {
        Self {
            column_depth_mm: 150.0,
            fine_mm: 2.5,
            fine_to_mm: 100.0,
            coarse_mm: 10.0,
            edge_mm: 2.5,
            blur_percent_mm: 0.1,
            mat_depth_mm: 25.0,
            litter: LitterDepths::default(),
            stretch_days: 1,
            stretch_litter_mm: 0.5,
        }
    }
}

impl Layout {
    fn validate(&self, p: &mut Problems) {
        let positive = |p: &mut Problems, place: &str, v: f64| {
            p.require(v.is_finite() && v > 0.0, place, v, "a length above 0 mm");
        };
        positive(p, "layout.column_depth_mm", self.column_depth_mm);
        positive(p, "layout.fine_mm", self.fine_mm);
        positive(p, "layout.fine_to_mm", self.fine_to_mm);
        positive(p, "layout.coarse_mm", self.coarse_mm);
        positive(p, "layout.edge_mm", self.edge_mm);
        positive(p, "layout.litter.surface_mm", self.litter.surface_mm);
        positive(p, "layout.litter.root_scale_mm", self.litter.root_scale_mm);
        positive(p, "layout.stretch_litter_mm", self.stretch_litter_mm);
        p.require(self.blur_percent_mm >= 0.0, "layout.blur_percent_mm", self.blur_percent_mm, "0 % mm or more");
        p.require(self.column_depth_mm <= 1000.0, "layout.column_depth_mm", self.column_depth_mm, "at most 1000 mm");
        p.require(self.fine_mm >= 0.1, "layout.fine_mm", self.fine_mm, "at least 0.1 mm");
        p.require(
            self.coarse_mm >= self.fine_mm,
            "layout.coarse_mm",
            self.coarse_mm,
            format!("at least fine_mm ({})", self.fine_mm),
        );
        p.require(
            self.mat_depth_mm >= 0.0 && self.mat_depth_mm <= self.column_depth_mm,
            "layout.mat_depth_mm",
            self.mat_depth_mm,
            format!("a depth inside the column (0 to {} mm)", self.column_depth_mm),
        );
        p.require(self.stretch_days >= 1, "layout.stretch_days", self.stretch_days, "at least 1 day");
    }

    /// Fine parcels and long stretches for many members; `docs/speed.md` shows what other choices cost.
    pub const FAST: Self = Self {
        column_depth_mm: 150.0,
        fine_mm: 0.5,
        fine_to_mm: 12.0,
        coarse_mm: 5.0,
        edge_mm: 0.5,
        blur_percent_mm: 0.05,
        mat_depth_mm: 25.0,
        litter: LitterDepths { surface_mm: 10.0, root_scale_mm: 40.0 },
        stretch_days: 60,
        stretch_litter_mm: 0.5,
    };

    /// Thickness of parcels at a depth.
    fn target_mm(&self, depth_mm: f64) -> f64 {
        (self.fine_mm * (depth_mm / self.fine_to_mm).max(1.0)).min(self.coarse_mm)
    }

    /// Faces between parcels, from the surface down (mm), as if the mat had no lower edge.
    pub(super) fn faces_mm(&self) -> Vec<f64> {
        let (parcels_mm, _) = Self { mat_depth_mm: 0.0, ..*self }.parcels();
        let mut depth = 0.0;
        let down = parcels_mm[1..].iter().rev().map(|thickness| {
            depth += thickness;
            depth
        });
        down.collect()
    }

    /// Thicknesses at the start, bottom first, with a face at the mat's lower edge; and how many lie below that edge.
    fn parcels(&self) -> (Vec<f64>, usize) {
        let mut down = Vec::new();
        let mut top = 0.0;
        let mut in_mat = 0;
        for edge in [self.mat_depth_mm, self.column_depth_mm] {
            while edge - top > 1e-9 {
                let parts = ((edge - top) / self.target_mm(top) - 1e-9).floor().max(1.0);
                down.push((edge - top) / parts);
                top = if parts > 1.0 { top + (edge - top) / parts } else { edge };
            }
            if edge == self.mat_depth_mm {
                in_mat = down.len();
            }
        }
        down.reverse();
        let root_zone = down.len() - in_mat;
        (down, root_zone)
    }
}

/// All that a plan is made from.
#[derive(Debug, Clone)]
pub struct Scenario<'a> {
    /// First day.
    pub start: NaiveDate,
    /// Clippings removed on each day (g dry/m2).
    pub clippings_g_m2: &'a [f64],
    /// Decay modifier of each day (-).
    pub decay_modifier: &'a [f64],
    /// Work in the order in which it is done within a day; done at the start of its day.
    pub work: &'a [Dated],
    /// Work before this date is on record: its sand is scaled by the member's `sand_scale`.
    pub recorded_before: NaiveDate,
    /// What is to be read, and when: at the start of the day, before that day's work.
    pub samples: &'a [(NaiveDate, Sample)],
    /// Dates at which the whole column is looked at: at the start of the day, before that day's work.
    pub profiles: &'a [NaiveDate],
    /// How the ground is cut.
    pub layout: Layout,
    /// The member on which splits and merges are decided.
    pub nominal: &'a Member<f64>,
}

/// One entry of the tape.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Event {
    /// Growth and decay.
    Stretch {
        /// Number of its weather.
        weather: usize,
        /// Calendar year, counted from the first of the run.
        year: usize,
    },
    /// Holes or grooves.
    Open(Opening),
    /// Sand on the surface and down open holes.
    Topdress {
        /// Dry sand (g/m2).
        sand_g_m2: f64,
        /// Share of the sand left on the surface that mowers pick up (-).
        picked_up_share: f64,
        /// Whether the amount comes from records.
        recorded: bool,
    },
    /// Sand into a depth range.
    Inject {
        /// Dry sand (g/m2).
        sand_g_m2: f64,
        /// Upper depth (mm).
        from_mm: f64,
        /// Lower depth (mm).
        to_mm: f64,
        /// Whether the amount comes from records.
        recorded: bool,
    },
    /// What is still open closes.
    Close,
    /// An empty parcel is laid on top.
    Push,
    /// A parcel is split.
    Split {
        /// Which, bottom first.
        parcel: usize,
        /// Into how many.
        parts: usize,
    },
    /// A parcel is merged with the one above.
    Merge {
        /// Which, bottom first.
        parcel: usize,
    },
    /// A sample is read.
    Read {
        /// Which, in the order of the scenario.
        sample: usize,
        /// Parcels that belong to the original root zone.
        root_zone: usize,
    },
    /// The column is shown, for profile number this.
    Look(usize),
    /// A calendar year ends, or the run does.
    YearEnd,
}

/// The entries of a plan in the order in which they are run.
pub type Tape = Vec<Event>;

/// A fixed tape with the series that it runs over.
#[derive(Debug, Clone)]
pub struct Plan {
    pub(super) tape: Tape,
    pub(super) parcels_mm: Vec<f64>,
    /// Of each stretch; plans for other nominal members may share it.
    pub(super) weather: Arc<Vec<Arc<Weathering>>>,
    /// First day of each stretch and the day after its last.
    spans: Arc<BTreeMap<(usize, usize), usize>>,
    pub(super) left: Left,
    days: usize,
    pub(super) samples: Vec<(NaiveDate, Sample)>,
    pub(super) layout: Layout,
    /// Calendar years of the run.
    pub years: Vec<i32>,
    /// Number of each sample, in the scenario's order, among the readings.
    order: Vec<usize>,
}

/// How a plan leaves the ground.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Default)]
pub(super) struct Left {
    /// Parcels that belong to the original root zone.
    pub(super) root_zone: usize,
    /// Days until open holes close.
    pub(super) closes_in: Option<usize>,
    /// Whether the last day is the last of a calendar year.
    pub(super) year_is_over: bool,
}

/// The weather of many scenarios over the same days, reckoned once for each stretch that any of them has.
#[derive(Debug)]
pub struct Spells {
    clippings_g_m2: Vec<f64>,
    decay_modifier: Vec<f64>,
    longest: usize,
    /// By first day and length.
    cells: Vec<OnceLock<Arc<Weathering>>>,
}

impl Spells {
    /// Of daily clippings (g/m2) and decay modifiers (-), as many of either, in stretches of at most `longest` days.
    pub fn new(clippings_g_m2: Vec<f64>, decay_modifier: Vec<f64>, longest: usize) -> Self {
        let cells = (0..clippings_g_m2.len() * longest).map(|_| OnceLock::new()).collect();
        Self { clippings_g_m2, decay_modifier, longest, cells }
    }

    /// Clippings of each day (g/m2).
    pub fn clippings_g_m2(&self) -> &[f64] {
        &self.clippings_g_m2
    }

    /// Decay modifier of each day (-).
    pub fn decay_modifier(&self) -> &[f64] {
        &self.decay_modifier
    }

    fn of(&self, days: Range<usize>) -> Arc<Weathering> {
        let reckon =
            || Arc::new(Weathering::of_days(&self.decay_modifier[days.clone()], &self.clippings_g_m2[days.clone()]));
        let length = days.len();
        match self.cells.get(days.start * self.longest + length - 1) {
            Some(cell) if length <= self.longest => Arc::clone(cell.get_or_init(reckon)),
            _ => reckon(),
        }
    }
}

impl Plan {
    /// Makes the tape of a scenario.
    ///
    /// # Errors
    /// [`crate::Error::Input`] for series of unequal length, values outside their domain, work or samples outside the
    /// days of the series, or depths beyond the column; all at once.
    pub fn new(scenario: &Scenario<'_>) -> Result<Self> {
        scenario.validate()?;
        let (parcels_mm, root_zone) = scenario.layout.parcels();
        let column = Self::ground(scenario, &parcels_mm);
        Ok(Writer::new(Self::blank(scenario, parcels_mm), scenario, column, root_zone).write(None))
    }

    /// The tape of a scenario that begins where another plan has left the nominal member's column. Nothing is checked.
    pub(super) fn onward(scenario: &Scenario<'_>, column: &Column<f64>, left: Left, spells: &Spells) -> Self {
        let parcels_mm = (0..column.len()).map(|i| column.thickness_mm(i)).collect();
        let mut writer = Writer::new(Self::blank(scenario, parcels_mm), scenario, column.clone(), left.root_zone);
        writer.closes = left.closes_in;
        writer.reshape();
        writer.write(Some(spells))
    }

    fn blank(scenario: &Scenario<'_>, parcels_mm: Vec<f64>) -> Self {
        let mut samples: Vec<(usize, (NaiveDate, Sample))> = scenario.samples.iter().copied().enumerate().collect();
        samples.sort_by_key(|(_, (date, _))| *date);
        let mut order = vec![0; samples.len()];
        for (position, (asked, _)) in samples.iter().enumerate() {
            order[*asked] = position;
        }
        Self {
            tape: Vec::new(),
            parcels_mm,
            weather: Arc::default(),
            spans: Arc::default(),
            left: Left::default(),
            days: scenario.clippings_g_m2.len(),
            samples: samples.into_iter().map(|(_, sample)| sample).collect(),
            layout: scenario.layout,
            years: scenario.years(),
            order,
        }
    }

    fn ground(scenario: &Scenario<'_>, parcels_mm: &[f64]) -> Column<f64> {
        let nominal = scenario.nominal;
        Column::new(parcels_mm, &nominal.profile, nominal.young_share, nominal.densities)
    }

    /// The same for another nominal member or another cut of the ground; the weather of the same stretches is not reckoned
    /// again.
    pub(super) fn made_over(&self, scenario: &Scenario<'_>) -> Self {
        let (parcels_mm, root_zone) = scenario.layout.parcels();
        let column = Self::ground(scenario, &parcels_mm);
        let plan = Self { tape: Vec::new(), parcels_mm, layout: scenario.layout, ..self.clone() };
        Writer::new(plan, scenario, column, root_zone).write(None)
    }

    /// The tape.
    pub fn tape(&self) -> &Tape {
        &self.tape
    }

    /// Where in the readings of an outcome the scenario's sample number `asked` stands.
    pub fn reading_of(&self, asked: usize) -> usize {
        self.order[asked]
    }

    /// Parcels at the start.
    pub fn parcels(&self) -> usize {
        self.parcels_mm.len()
    }

    /// What is sampled, in the order of the readings.
    pub fn samples(&self) -> impl Iterator<Item = &Sample> {
        self.samples.iter().map(|(_, sample)| sample)
    }

    /// Days of the run.
    pub fn days(&self) -> usize {
        self.days
    }
}

impl Scenario<'_> {
    fn last_day(&self) -> NaiveDate {
        self.start + Days::new(self.clippings_g_m2.len().saturating_sub(1) as u64)
    }

    /// Calendar years of the run.
    pub fn years(&self) -> Vec<i32> {
        (self.start.year()..=self.last_day().year()).collect()
    }

    /// Checks everything against its domain.
    ///
    /// # Errors
    /// [`crate::Error::Input`] with every problem.
    pub fn validate(&self) -> Result<()> {
        let mut p = Problems::default();
        let days = self.clippings_g_m2.len();
        p.require(days > 0, "clippings_g_m2", "no day", "at least one day");
        p.require(
            self.decay_modifier.len() == days,
            "decay_modifier",
            format!("{} days", self.decay_modifier.len()),
            format!("as many days as clippings_g_m2 ({days})"),
        );
        for (name, series, most) in
            [("clippings_g_m2", self.clippings_g_m2, 1e4), ("decay_modifier", self.decay_modifier, 100.0)]
        {
            if let Some(day) = series.iter().position(|v| !(0.0..=most).contains(v)) {
                let date = self.start + Days::new(day as u64);
                p.require(false, format!("{name} on {date}"), series[day], format!("a number from 0 to {most}"));
            }
        }
        self.layout.validate(&mut p);
        if days == 0 {
            return p.into_result(());
        }
        let (start, last, depth) = (self.start, self.last_day(), self.layout.column_depth_mm);
        for dated in self.work {
            let place = format!("{} on {}", dated.work.kind(), dated.date);
            let inside = format!("a date from {start} to {last}");
            p.require((start..=last).contains(&dated.date), &place, dated.date, inside);
            p.nest(&place, dated.work.validate())?;
            let deepest = match dated.work {
                Work::SandInjection(w) => w.to_mm,
                work => work.opening().map_or(0.0, |o| o.depth_mm),
            };
            p.require(
                deepest <= depth,
                format!("{place}.depth_mm"),
                deepest,
                format!("a depth inside the column ({depth} mm)"),
            );
        }
        for (date, sample) in self.samples {
            let place = format!("sample on {date}");
            let end = last + Days::new(1);
            p.require((start..=end).contains(date), &place, date, format!("a date from {start} to {end}"));
            match *sample {
                Sample::Window { top_mm, bottom_mm } => p.require(
                    top_mm >= 0.0 && bottom_mm > top_mm && bottom_mm <= depth,
                    place,
                    format!("{top_mm} to {bottom_mm} mm"),
                    format!("two depths, the upper first, inside the column (0 to {depth} mm)"),
                ),
                Sample::AbovePercent(percent) => {
                    p.require(percent > 0.0 && percent < 100.0, place, percent, "a percentage between 0 and 100");
                }
                Sample::AboveRootZone => {}
            }
        }
        for date in self.profiles {
            let end = last + Days::new(1);
            p.require((start..=end).contains(date), "profile", date, format!("a date from {start} to {end}"));
        }
        p.into_result(())
    }
}

/// Writes a tape by running the nominal member along it.
struct Writer<'a> {
    plan: Plan,
    scenario: &'a Scenario<'a>,
    column: Column<f64>,
    state: State<f64>,
    root_zone: usize,
    /// Day on which open holes close.
    closes: Option<usize>,
    /// Depths at which something that is done in the column ends (mm).
    edges_mm: Vec<f64>,
}

/// Reach of the thin parcels about an edge, above it and below it (mm).
const ABOVE_EDGE_MM: f64 = 3.0;
const BELOW_EDGE_MM: f64 = 2.0;

/// A parcel is split above this share of its target thickness, two are merged while their sum stays below it.
const SPLIT_ABOVE: f64 = 1.4;
const MERGE_BELOW: f64 = 1.05;

fn percent(om: f64, mineral: f64) -> f64 {
    100.0 * om / (om + mineral).max(f64::MIN_POSITIVE)
}

/// What mixing two layers, each of a concentration (%) and a thickness (mm), would move across their face (% mm).
fn faced_blur((above, above_mm): (f64, f64), (below, below_mm): (f64, f64)) -> f64 {
    (above - below).abs() * above_mm * below_mm / (above_mm + below_mm).max(f64::MIN_POSITIVE)
}

impl<'a> Writer<'a> {
    fn new(plan: Plan, scenario: &'a Scenario<'a>, column: Column<f64>, root_zone: usize) -> Self {
        let state = State::start(&column);
        let ends = scenario.work.iter().flat_map(|dated| match dated.work {
            Work::SandInjection(w) => vec![w.from_mm, w.to_mm],
            work => work.opening().filter(|o| o.depth_sd_mm == 0.0).map(|o| o.depth_mm).into_iter().collect(),
        });
        let mut edges_mm: Vec<f64> = ends.filter(|&end| end > 0.0).chain([plan.layout.litter.surface_mm]).collect();
        edges_mm.sort_by(f64::total_cmp);
        edges_mm.dedup();
        Self { plan, scenario, column, state, root_zone, closes: None, edges_mm }
    }

    /// Thickness of parcels at a depth.
    fn target_mm(&self, depth_mm: f64) -> f64 {
        let layout = &self.plan.layout;
        let target = layout.target_mm(depth_mm);
        let near = |edge: &&f64| (-ABOVE_EDGE_MM..BELOW_EDGE_MM).contains(&(depth_mm - **edge));
        let thin = |edge: &f64| layout.edge_mm * (edge / layout.litter.surface_mm).max(1.0);
        self.edges_mm.iter().filter(near).map(thin).fold(target, f64::min)
    }

    fn write(mut self, spells: Option<&Spells>) -> Plan {
        let scenario = self.scenario;
        let day_of = |date: NaiveDate| (date - scenario.start).num_days() as usize;
        let mut work: Vec<&Dated> = scenario.work.iter().collect();
        work.sort_by_key(|dated| dated.date);
        let days = self.plan.days();
        let (mut next_work, mut next_sample, mut day) = (0, 0, 0);
        let mut looks: Vec<(usize, usize)> = scenario.profiles.iter().map(|d| day_of(*d)).enumerate().collect();
        looks.sort_by_key(|(_, day)| *day);
        let mut looks = looks.into_iter().peekable();
        loop {
            while let Some((index, _)) = looks.next_if(|(_, at)| *at == day) {
                self.plan.tape.push(Event::Look(index));
            }
            while next_sample < self.plan.samples.len() && day_of(self.plan.samples[next_sample].0) == day {
                self.plan.tape.push(Event::Read { sample: next_sample, root_zone: self.root_zone });
                next_sample += 1;
            }
            if day == days {
                break;
            }
            if self.closes == Some(day) {
                self.push(Event::Close);
                self.closes = None;
            }
            while next_work < work.len() && day_of(work[next_work].date) == day {
                self.work(work[next_work]);
                if let Some(opening) = work[next_work].work.opening() {
                    let until = day + opening.open_days.max(1) as usize;
                    self.closes = Some(self.closes.map_or(until, |other| other.max(until)));
                }
                next_work += 1;
            }
            let date = scenario.start + Days::new(day as u64);
            let year_end = NaiveDate::from_ymd_opt(date.year() + 1, 1, 1).map_or(days, day_of).min(days);
            let stops = [
                Some(year_end),
                Some(self.longest(day)),
                self.closes,
                work.get(next_work).map(|dated| day_of(dated.date)),
                self.plan.samples.get(next_sample).map(|(date, _)| day_of(*date)),
                looks.peek().map(|(_, day)| *day),
            ];
            let last = stops.into_iter().flatten().min().unwrap_or(days).min(days);
            let year = (date.year() - scenario.start.year()) as usize;
            let weather = self.weather(day, last, spells);
            self.push(Event::Stretch { weather, year });
            self.reshape();
            if last == year_end {
                self.plan.tape.push(Event::YearEnd);
            }
            day = last;
        }
        let (root_zone, after) = (self.root_zone, scenario.start + Days::new(days as u64));
        let closes_in = self.closes.map(|closes| closes.saturating_sub(days));
        self.plan.left = Left { root_zone, closes_in, year_is_over: after.ordinal() == 1 };
        self.plan
    }

    /// Number of the weather of a stretch.
    fn weather(&mut self, day: usize, last: usize, spells: Option<&Spells>) -> usize {
        if let Some(known) = self.plan.spans.get(&(day, last)) {
            return *known;
        }
        let (modifier, clippings) =
            (&self.scenario.decay_modifier[day..last], &self.scenario.clippings_g_m2[day..last]);
        let of_days = || Arc::new(Weathering::of_days(modifier, clippings));
        let weather = Arc::make_mut(&mut self.plan.weather);
        weather.push(spells.map_or_else(of_days, |spells| spells.of(day..last)));
        Arc::make_mut(&mut self.plan.spans).insert((day, last), weather.len() - 1);
        weather.len() - 1
    }

    /// The day after the last of the longest stretch that may begin at `day`.
    fn longest(&self, day: usize) -> usize {
        let most = (day + self.scenario.layout.stretch_days).min(self.plan.days);
        let nominal = self.scenario.nominal;
        let litter_mm = nominal.densities.thickness_mm(0.0, nominal.litter_ratio);
        let (mut passed, mut fallen_mm) = (0.0, 0.0);
        let series = self.scenario.decay_modifier[day..most].iter().zip(&self.scenario.clippings_g_m2[day..most]);
        let before = series.take_while(|(modifier, clippings)| {
            let first = passed == 0.0 && fallen_mm == 0.0;
            fallen_mm += *clippings * litter_mm;
            let fits = first || (passed < LONGEST_SPAN_YEARS && fallen_mm <= self.plan.layout.stretch_litter_mm);
            passed += *modifier / DAYS_PER_YEAR;
            fits
        });
        day + before.count()
    }

    /// Puts an event on the tape and does it to the nominal member.
    fn push(&mut self, event: Event) {
        self.state.step(&self.plan, self.scenario.nominal, &mut self.column, &event);
        self.plan.tape.push(event);
    }

    fn work(&mut self, dated: &Dated) {
        let recorded = dated.date < self.scenario.recorded_before;
        match dated.work {
            Work::Topdressing(w) => {
                let thickness = w.sand_g_m2 / self.column.densities.mineral / 1000.0;
                let laid = (thickness - self.column.room_mm).max(0.0);
                let top = self.column.len() - 1;
                let (om, mineral) = (self.column.om(top), self.column.mineral[top]);
                let blur = faced_blur((percent(om, mineral), self.column.thickness_mm(top)), (0.0, laid));
                let layout = &self.plan.layout;
                let thick = self.column.thickness_mm(top) + laid > layout.fine_mm;
                if laid > 0.0 && (thick || blur > layout.blur_percent_mm) {
                    self.push(Event::Push);
                }
                let (sand_g_m2, picked_up_share) = (w.sand_g_m2, w.picked_up_share);
                self.push(Event::Topdress { sand_g_m2, picked_up_share, recorded });
            }
            Work::SandInjection(w) => {
                let (sand_g_m2, from_mm, to_mm) = (w.sand_g_m2, w.from_mm, w.to_mm);
                self.push(Event::Inject { sand_g_m2, from_mm, to_mm, recorded });
            }
            Work::Coring(_) | Work::SolidTining(_) | Work::VerticalMowing(_) => {
                if let Some(opening) = dated.work.opening() {
                    if opening.returned_mineral_share > 0.0 || opening.returned_om_share > 0.0 {
                        self.push(Event::Push);
                    }
                    self.push(Event::Open(opening));
                }
            }
        }
        self.reshape();
    }

    /// What merging a parcel with the one below would move across their face, as concentration times depth (% mm).
    fn blur_percent_mm(&self, upper: usize) -> f64 {
        let of = |i: usize| (percent(self.column.om(i), self.column.mineral[i]), self.column.thickness_mm(i));
        faced_blur(of(upper), of(upper - 1))
    }

    /// Splits what has grown thick and merges what has grown thin, but never across the root zone's edge.
    fn reshape(&mut self) {
        let layout = self.plan.layout;
        let mut top = 0.0;
        let mut i = self.column.len();
        while i > 0 {
            i -= 1;
            let target = self.target_mm(top);
            let thickness = self.column.thickness_mm(i);
            let newest = i + 1 == self.column.len();
            if thickness > SPLIT_ABOVE * target {
                let parts = (thickness / target).round().max(2.0) as usize;
                self.push(Event::Split { parcel: i, parts });
                self.root_zone += if i < self.root_zone { parts - 1 } else { 0 };
            } else if i > 0
                && i != self.root_zone
                && !newest
                && thickness + self.column.thickness_mm(i - 1) < MERGE_BELOW * target
                && self.blur_percent_mm(i) < layout.blur_percent_mm
            {
                self.push(Event::Merge { parcel: i - 1 });
                self.root_zone -= usize::from(i < self.root_zone);
                continue;
            }
            top += thickness;
        }
    }
}

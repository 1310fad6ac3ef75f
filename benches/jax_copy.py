"""The demo course's posterior written again in JAX, for samplers that want the model in their own language.

The model is that of `docs/model.md`, in parcels that are neither split nor merged: one for each day on which any green
is sanded, over ground cut once. All greens go side by side through one scan over the same steps, with nothing done
where a green has no work that day. It takes what the demo course holds (windows, recorded work, normal scatter, nothing
worked back in), and refuses more.
"""

import datetime as dt
from itertools import pairwise

import jax
import jax.numpy as jnp
import numpy as np
from peers import DEPTH_MM, MOMENTS, ROOT_MM, ROOTS_END, SAND_DENSITY, SURFACE_MM, moments

import matledger as mat
from matledger import _core
from matledger.calibration.site import method_of
from matledger.growth import daily_clippings

jax.config.update("jax_enable_x64", True)

REACHED = np.array([-1.2815515655446, -0.52440051270804, 0.0, 0.52440051270804, 1.2815515655446])
"""Normal points that a fifth of the holes each reach."""


class JaxCopy:
    """Log density of a fit's coordinates, `copy(z)`, to be traced by JAX."""

    def __init__(self, fit: mat.Calibration, *, parcel_mm: float, longest_days: int) -> None:
        self.names = {name: i for i, name in enumerate(fit.names)}
        self.priors = fit.site.priors
        self.greens = [green.name for green in fit.course.greens]
        self.years = sorted({date.year for date in fit.course.weather.dates.astype(object)})
        down = [0.0]
        while down[-1] < DEPTH_MM - 1e-9:
            down.append(min(down[-1] + min(parcel_mm * max(down[-1] / 25.0, 1.0), 10.0), DEPTH_MM))
        self.faces = np.array(down[::-1])
        self._steps(fit, longest_days)
        self._tests(fit)

    def _steps(self, fit: mat.Calibration, longest_days: int) -> None:
        course, start = fit.course, fit.course.weather.start
        heat, modifier = _core.drivers(course.weather.core, fit.driving._given())
        daily = [
            daily_clippings(start, heat, course.clippings_of(green), fit.site_yield).clippings_g_m2
            for green in self.greens
        ]
        work = {green: [((one.date - start).days, one.work) for one in course.work_of(green)] for green in self.greens}
        self.read_days = sorted({(test.date - start).days for test in course.soil_tests})
        openings = [(day, one) for done in work.values() for day, one in done if not isinstance(one, mat.Topdressing)]
        stops = {
            len(modifier),
            *((dt.date(year, 1, 1) - start).days for year in self.years),
            *self.read_days,
            *(day for done in work.values() for day, _ in done),
            *(day + one.holes_open_days for day, one in openings),
        }
        marks = sorted(stop for stop in stops if 0 <= stop <= len(modifier))
        days = [day for first, last in pairwise(marks) for day in range(first, last, longest_days)]
        until = [*days[1:], len(modifier)]
        count, greens = len(days), len(self.greens)
        self.at = {day: step for step, day in enumerate(days)}
        per_green = (count, greens)
        area, lifted, opened, depth_sd, sand, kept = (np.zeros(per_green) for _ in range(6))
        depth, closes, weather = np.zeros(per_green), np.zeros(per_green), np.zeros((*per_green, 2 + MOMENTS))
        for g, green in enumerate(self.greens):
            shut = -1
            for step, day in enumerate(days):
                closes[step, g] = day == shut
                for _, one in (found for found in work[green] if found[0] == day):
                    if isinstance(one, mat.Topdressing):
                        assert sand[step, g] == 0, "sand twice on a day"
                        sand[step, g], kept[step, g] = one.core.sand_g_m2, 1 - one.picked_up_share
                        continue
                    assert area[step, g] == sand[step, g] == 0, "opened twice on a day, or after sand"
                    area[step, g], depth[step, g] = one.area_share, one.depth_mm
                    if isinstance(one, mat.Coring):
                        assert one.returned_mineral_share == one.returned_om_share == 0, "cores worked back in"
                        lifted[step, g], opened[step, g], depth_sd[step, g] = 1.0, 1.0, one.depth_sd_mm
                    else:
                        lifted[step, g] = opened[step, g] = one.removed_share
                    shut = max(shut if shut > day else -1, day + one.holes_open_days)
                weather[step, g] = moments(daily[g][day : until[step]], modifier[day : until[step]])
        sanded = np.flatnonzero((sand > 0).any(axis=1))
        self.parcels = len(self.faces) - 1 + len(sanded)
        top = len(self.faces) - 2 + np.searchsorted(sanded, np.arange(count), side="right")
        year = [self.years.index((start + dt.timedelta(days=day)).year) for day in days]
        reached = np.maximum(depth[..., None] + REACHED * depth_sd[..., None], 0.0)
        self.tape = (area * lifted / 5, area * opened / 5, reached, sand, kept, closes, top)
        self.weather, self.year = weather, np.array(year)

    def _tests(self, fit: mat.Calibration) -> None:
        start = fit.course.weather.start
        tests = [(g, test) for g, green in enumerate(self.greens) for test in fit.soil_tests_of(green)]
        assert all(test.window is not None and test.laboratory_sd_percent is None for _, test in tests)
        assert (fit.degrees_of_freedom, fit.depth_correlation, fit.earlier) == (None, False, None)
        self.windows = sorted({test.window for _, test in tests})
        offsets = [f"method_offset_percent[{method_of(test)}]" for _, test in tests]
        self.where = np.array(
            [(self.read_days.index((test.date - start).days), self.windows.index(test.window), g) for g, test in tests]
        ).T
        self.others = [name for name in self.names if name.startswith("method_offset_percent[")]
        self.method = np.array([self.others.index(name) + 1 if name in self.others else 0 for name in offsets])
        self.measured = np.array([test.om_percent for _, test in tests])
        self.cores = np.array([float(test.cores) for _, test in tests])

    def value(self, name: str, z: jax.Array) -> jax.Array:
        """An unknown in its own unit."""
        median, sd, scale = self.priors[self.names[name]]
        moved = sd * z[self.names[name]]
        match scale:
            case "log":
                return median * jnp.exp(moved)
            case "logit":
                return 1 / (1 + (1 - median) / median * jnp.exp(-moved))
            case _:
                return median + moved

    def of_greens(self, name: str, z: jax.Array) -> jax.Array:
        """An unknown of every green."""
        away = z[np.array([self.names[f"{name}[{green}]"] for green in self.greens])]
        return self.value(name, z) * jnp.exp(self.value(f"{name}_spread", z) * away)

    def predictions(self, z: jax.Array) -> jax.Array:
        """What the tests should read (% OM)."""
        k1, k2 = self.value("young_decay_per_year", z), self.value("old_decay_per_year", z)
        humified, fill, root = (self.value(name, z) for name in ("humified_share", "fill_fraction", "root_share"))
        om_density, sand_scale = self.value("om_density_g_cm3", z), self.value("sand_scale", z)
        years = jnp.stack([self.value(f"clipping_multiplier[{year}]", z) for year in self.years])
        ratio = humified * k1 / (k1 - k2)
        litter_ratio = self.of_greens("litter_ratio", z)
        passed, mean, moment = self.weather[..., 0], self.weather[..., 1], self.weather[..., :1:-1]

        def fed(k):
            return jnp.exp(-k * mean) * jnp.polyval(jnp.moveaxis(moment, -1, 0), -k)

        young_kept, old_kept = jnp.exp(-k1 * passed), jnp.exp(-k2 * passed)
        fallen = litter_ratio * years[self.year][:, None]
        young_fed = fallen * fed(k1)
        old_fed = ratio * (fallen * fed(k2) - young_fed)
        spans = (young_kept, old_kept, ratio * (old_kept - young_kept), young_fed, old_fed)
        upward = jnp.triu(jnp.ones((self.parcels + 1, self.parcels)))

        def thickness(m, om):
            return (m / SAND_DENSITY + om / om_density) * 1e-3

        def faces(m, om):
            """Depths of the lower faces, and of the surface at the end."""
            return upward @ thickness(m, om)

        def step(state, now):
            m, y, o, hole, opened, room = state
            before = (m, y + o)
            lift, leave, reached, sand, kept, closes, top, span = now
            hole, opened, room = hole * (1 - closes), opened * (1 - closes), room * (1 - closes)
            depth = faces(m, y + o)
            through = jnp.minimum(depth[..., None], reached).sum(axis=-1)
            through = through[:-1] - through[1:]
            held = 1 - lift * through / jnp.maximum(depth[:-1] - depth[1:], 1e-9)
            m, y, o, hole = m * held, y * held, o * held, hole + through * leave
            opened, room = opened + through.sum(axis=0) * leave, room + through.sum(axis=0) * leave * fill
            sand = sand * sand_scale
            volume = sand / SAND_DENSITY * 1e-3
            taken = jnp.minimum(volume, room)
            used = taken / jnp.maximum(opened, 1e-12)
            m = m + hole * used * SAND_DENSITY * 1e3
            m = m.at[top].add((volume - taken) * SAND_DENSITY * 1e3 * kept)
            hole, opened, room = hole * (1 - used), opened - taken, room - taken
            young_kept, old_kept, to_old, young_fed, old_fed = span

            def grown(depth):
                surface = jnp.minimum(depth, SURFACE_MM) / SURFACE_MM
                roots = (1 - jnp.maximum(jnp.exp(-depth / ROOT_MM), ROOTS_END)) / (1 - ROOTS_END)
                above = surface + (roots - surface) * root
                share = above[:-1] - above[1:]
                return y * young_kept + share * young_fed, o * old_kept + y * to_old + share * old_fed

            first = faces(m, y + o)
            young, old = grown(first)
            young, old = grown((first + faces(m, young + old)) / 2)
            return (m, young, old, hole, opened, room), before

        _, (m, om) = jax.lax.scan(step, self._begin(z, om_density), (*self.tape, spans))
        at = np.array([self.at[day] for day in self.read_days])
        readings = jax.vmap(lambda m, om: self._read(m, om, faces(m, om)))(m[at], om[at])
        return (
            readings[tuple(self.where)] + jnp.stack([0.0, *(self.value(name, z) for name in self.others)])[self.method]
        )

    def _begin(self, z, om_density):
        scale = self.value("profile_scale_mm", z)
        upper, lower = self.faces[1:, None], self.faces[:-1, None]
        excess = scale * (jnp.exp(-upper / scale) - jnp.exp(-lower / scale)) / (lower - upper)
        percent = self.of_greens("base_percent", z) + self.of_greens("surface_percent", z) * excess
        share = jnp.minimum(percent, 90.0) / 100
        mass = (lower - upper) * 1000 / (share / om_density + (1 - share) / SAND_DENSITY)
        young = self.value("young_share", z)
        rest = self.parcels - len(self.faces) + 1
        pools = [
            jnp.pad(pool, ((0, rest), (0, 0)))
            for pool in (mass * (1 - share), mass * share * young, mass * share * (1 - young))
        ]
        nothing = jnp.zeros(len(self.greens))
        return (*pools, jnp.zeros_like(pools[0]), nothing, nothing)

    def _read(self, m, om, depth):
        thick = jnp.maximum(depth[:-1] - depth[1:], 1e-9)

        def window(top, bottom):
            inside = (jnp.clip(depth[:-1], top, bottom) - jnp.clip(depth[1:], top, bottom)) / thick
            organic = (om * inside).sum(axis=0)
            return 100 * organic / (organic + (m * inside).sum(axis=0))

        return jnp.stack([window(*one) for one in self.windows])

    def __call__(self, z: jax.Array) -> jax.Array:
        """Log density at coordinates, with all its constants."""
        core, laboratory = self.value("core_sd_percent", z), self.value("laboratory_sd_percent", z)
        variance = laboratory**2 + core**2 / self.cores
        away = (self.measured - self.predictions(z)) ** 2 / variance
        return -0.5 * ((away + jnp.log(2 * jnp.pi * variance)).sum() + (z**2).sum() + len(z) * jnp.log(2 * jnp.pi))

"""A calibration as a tree of data sets, in the groups that ArviZ knows."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import _core
from matledger.calibration.site import labels_of
from matledger.variables import described

if TYPE_CHECKING:
    import xarray as xr

    from matledger._arrays import Floats
    from matledger.calibration.fit import Calibration

__all__ = ["tree"]

PRIOR_DRAWS = 500


def tree(calibration: Calibration) -> xr.DataTree:
    """Put draws, sampler statistics, predictions and tests into one tree."""
    import xarray as xr

    run = calibration.chains
    chains = 1 if run is None else len(run.energy)

    def by_chain(values: Floats) -> Floats:
        turns: Floats = values.reshape(-1, chains, *values.shape[1:]).swapaxes(0, 1)
        return turns

    flat = calibration.to_xarray()
    before = _believed(calibration)
    count = len(calibration.coordinates) // chains
    index = {"chain": np.arange(chains), "draw": np.arange(count)}
    posterior = xr.Dataset(
        {
            name: (("chain", "draw", *array.dims[1:]), by_chain(array.to_numpy()), array.attrs)
            for name, array in flat.data_vars.items()
        },
        index | {name: array for name, array in flat.coords.items() if name != "draw"},
        attrs=flat.attrs,
    )
    tests = [test for green in calibration.course.greens for test in calibration.soil_tests_of(green.name)]
    labels: dict[str, Any] = {name: ("test", values) for name, values in labels_of(tests).items()}
    labels |= {
        "test": np.arange(len(tests)),
        "date": ("test", np.array([test.date for test in tests], dtype="datetime64[ns]")),
    }
    dims = ("chain", "draw", "test")
    groups = {
        "posterior": posterior,
        "prior": before.to_xarray().expand_dims("chain").assign_coords(chain=[0]),
        "posterior_predictive": xr.Dataset(
            {"om_percent": (dims, by_chain(calibration.repeated_tests()))}, index | labels
        ),
        "log_likelihood": xr.Dataset(
            {"om_percent": (dims, by_chain(calibration.site.log_likelihoods(calibration.coordinates)))}, index | labels
        ),
        "observed_data": xr.Dataset({"om_percent": (("test",), np.array([test.om_percent for test in tests]))}, labels),
    }
    if run is not None:
        statistics = {
            "energy": run.energy,
            "lp": run.log_density,
            "diverging": run.diverging,
            "n_steps": run.gradients,
            "reached_max_treedepth": run.cut,
        }
        groups["sample_stats"] = xr.Dataset(
            {name: (("chain", "draw"), values) for name, values in statistics.items()}, index
        )
    library = {"inference_library": "matledger", "inference_library_version": _core.VERSION}
    for name, group in groups.items():
        described(group, name)
        group.attrs |= library
    return xr.DataTree.from_dict(groups)


def _believed(calibration: Calibration) -> Calibration:
    """The same unknowns before any test: coordinates are standard normal a priori."""
    shape = (PRIOR_DRAWS, len(calibration.names))
    return replace(calibration, coordinates=np.random.default_rng(0).standard_normal(shape), chains=None)

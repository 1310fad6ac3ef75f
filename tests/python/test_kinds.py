"""What is of the wrong kind is refused by the name of the argument, and NumPy's numbers are numbers."""

import numpy as np
import pandas as pd
import pytest

import matledger as mat

CORES = mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=70)
VARIANCES = mat.StudyVariances(core_sd_percent=0.5)
DESIGN = mat.StudyDesign(blocks=4)
CURVE = mat.Grading("a", [2, 1, 0.5], [100, 60, 5])


@pytest.fixture(scope="module")
def course():
    return mat.demo_course().only(["Fen"])


@pytest.fixture(scope="module")
def calibration(course):
    return mat.calibrate(course, draws=20)


@pytest.fixture(scope="module")
def comparison(calibration):
    return mat.compare(calibration, years=1, draws=20, weather_sequences=1)


TAKERS = {
    "lower_c": lambda value, _: mat.degree_days([1], [2], lower_c=value),
    "upper_c": lambda value, _: mat.degree_days([1], [2], lower_c=0, upper_c=value),
    "cutoff": lambda value, _: mat.degree_days([1], [2], lower_c=0, cutoff=value),
    "optimum_c": lambda value, _: mat.growth_potential([1], optimum_c=value, spread_c=5),
    "plateau": lambda value, _: mat.growth_potential([1], optimum_c=20, spread_c=5, plateau=value),
    "q10": lambda value, _: mat.decay_modifier([1], form="q10", q10=value),
    "lag_days": lambda value, _: mat.soil_temperature([1], lag_days=value),
    "prior_log_sd": lambda value, _: mat.site_yield("2014-01-01", [1.0], prior_log_sd=value),
    "percent": lambda value, _: CURVE.d_mm(value),
    "cumulative": lambda value, _: mat.Grading.from_retained("a", [1, 0.5], [1, 2], pan_g=1, cumulative=value),
    "pan_g": lambda value, _: mat.Grading.from_retained("a", [1, 0.5], [1, 2], pan_g=value),
    "level": lambda value, _: mat.check_spreader([44, 46], pan_m2=0.1, intended_g_m2=400, level=value),
    "alpha": lambda value, _: mat.study_power(DESIGN, VARIANCES, difference_percent=1, alpha=value),
    "core_sd_percent": lambda value, _: mat.StudyVariances(core_sd_percent=value),
    "test": lambda value, _: mat.SamplingPrices(test=value),
    "top_mm": lambda value, _: mat.SoilTest(
        green="1", date="2014-05-01", om_percent=3, cores=9, method="m", verdure="off", top_mm=value, bottom_mm=20
    ),
    "growth_factor": lambda value, asked: mat.healing(asked("course"), growth_factor=value),
    "cover_percent": lambda value, asked: mat.healing(asked("course"), draws=5).days(
        CORES, "2014-05-01", cover_percent=value
    ),
    "degrees_of_freedom": lambda value, asked: mat.calibrate(asked("course"), degrees_of_freedom=value),
    "depth_correlation": lambda value, asked: mat.calibrate(asked("course"), depth_correlation=value),
    "form": lambda value, asked: mat.calibrate(asked("course"), form=value),
    "draws": lambda value, asked: mat.compare(asked("calibration"), draws=value),
    "weather_sequences": lambda value, asked: mat.search(asked("calibration"), [CORES], weather_sequences=value),
    "seed": lambda value, asked: mat.predictive_checks(asked("calibration"), seed=value),
    "error_sd_percent": lambda value, asked: mat.value_of_test(asked("comparison"), error_sd_percent=value),
    "units": lambda value, asked: asked("comparison").summary(value),
    "entry": lambda value, _: mat.simulate(
        start="2014-01-01", clippings_g_m2=np.ones(9), decay_modifier=np.ones(9), work=[]
    ).ledger.total(value),
    "max_bytes": lambda value, _: mat.read_work("work.csv", max_bytes=value),
    "fill": lambda value, _: mat.Weather(["2014-05-01"], [1], [2], fill=value),
}


@pytest.mark.parametrize("name", TAKERS)
def test_the_wrong_kind_is_refused_by_name(name, request):
    for value in ([], {}, object(), 10**400):
        if (name, str(value)) in (("fill", "[]"), ("cores", "[]")):
            continue
        with pytest.raises(mat.InputError, match=rf"(^|\n){name}: .*expected"):
            TAKERS[name](value, request.getfixturevalue)


ONCE = mat.Programme("once", [("15 April", [CORES])])
MISTAKES = {
    "^calibration: Course; expected a fit": lambda asked: mat.compare(asked("course"), [ONCE]),
    "^calibration: 'tarn'; expected a fit": lambda _: mat.search("tarn", [ONCE]),
    "^programmes: Programme; expected a list of programmes": lambda asked: mat.compare(asked("calibration"), ONCE),
    "^programmes: 'twice'; expected a list": lambda asked: mat.compare(asked("calibration"), "twice"),
    r"^programmes\[1\]: 'twice'; expected a programme": lambda asked: mat.compare(
        asked("calibration"), [ONCE, "twice"]
    ),
    "^space: Programme; expected a list": lambda asked: mat.search(asked("calibration"), ONCE),
    "^target: 4; expected a matledger.Target": lambda asked: mat.compare(asked("calibration"), target=4),
    "^prices: dict; expected a matledger.Prices": lambda asked: mat.compare(asked("calibration"), prices={"sand": 4}),
    "^recovery: 30; expected what matledger.healing": lambda asked: mat.search(
        asked("calibration"), [ONCE], recovery=30
    ),
    "^comparison: Calibration; expected a comparison": lambda asked: mat.report(asked("calibration"), "plan.pdf"),
}


@pytest.mark.parametrize("said", MISTAKES)
def test_a_thing_in_the_place_of_another_is_refused_by_name(said, request):
    with pytest.raises(mat.InputError, match=said):
        MISTAKES[said](request.getfixturevalue)


def test_numbers_of_numpy_are_numbers(course):
    fit = mat.calibrate(course, draws=np.int64(20), seed=np.int32(1))
    assert len(fit.coordinates) == 20
    assert mat.degree_days([5], [10], lower_c=np.float32(0)).tolist() == [7.5]
    assert mat.Interpolate(np.int64(3)).max_days == 3
    assert mat.Prices(currency="EUR", crew_per_h=np.int64(25), sand_per_t=np.float32(40)).sand_per_t == 40


def test_greens_that_pandas_made_numbers_are_names_again():
    frame = pd.DataFrame({"green": [7], "date": ["2014-05-01"], "rate_mm_h": [180]})
    assert mat.read_ring_readings(frame)[0].green == "7"
    with pytest.raises(mat.InputError, match="with quotes"):
        mat.read_ring_readings(frame.assign(green=[7.0]))


def test_results_are_shown_and_compared_without_surprise(calibration, course):
    frontier = mat.search(calibration, mat.Space(coring_days=[()]), years=1, draws=10, weather_sequences=1)
    choice = frontier.by_green(moist_sand_t=500)
    assert choice == choice
    assert choice != frontier.by_green(moist_sand_t=500)
    assert "shared limits" in repr(choice)
    assert choice._repr_html_().count("<table>") == 2
    assert len(repr(mat.invent_tests(course, seed=1))) < 100
    assert "1 green, 24 tests" in repr(calibration)

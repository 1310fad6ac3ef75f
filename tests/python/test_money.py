"""Hours, material and money against examples worked by hand."""

import datetime as dt

import numpy as np
import pytest

import matledger as mat
from matledger.labour import Labour, Task, job
from matledger.money import LINES, Prices, budget
from matledger.play import Play, PlayAhead

CORES = mat.Coring(tine=mat.Tine(inside_diameter_mm=10), spacing_mm=(50, 50), depth_mm=80)
SAND = mat.Topdressing(sand_kg_m2=2, passes=2)
DAY = dt.date(2025, 4, 7)

# Two tasks whose hours can be done in the head: 1 m x 2 km/h = 2000 m2/h, 2 m x 5 km/h = 10 000 m2/h.
LABOUR = Labour(
    tasks=[
        Task("core", work="coring", machine="corer", width_m=1, speed_km_h=2, turning_share=0.5),
        Task("spread", work="topdressing", machine="spreader", width_m=2, speed_km_h=5, people=2, fixed_h=0.1),
    ],
    sand_waste_share=0.05,
    sand_moisture_share=0.04,
    load_t=2,
    core_density_g_cm3=1.5,
    core_bulking=1.2,
)


class Weeks(mat.Recovery):
    """Turf that takes ten days whatever the work."""

    def days(self, work, day, *, cover_percent=99.0):
        return np.full((1, 1), 10.0)


TURF = Weeks(draws=np.zeros((1, 3)), first_day=DAY, degree_days=np.zeros(1), readings=0)


def test_hours_cores_and_sand_of_one_green():
    # 400 m2 / 2000 m2/h = 0.2 h, half as much again for turning
    cores = job(CORES, 400, labour=LABOUR)
    assert cores.machine_h == cores.crew_h == pytest.approx(0.3)
    # pi 10^2 / (4 50 50) = 3.1416 %; 80 mm of it on 400 m2 = 1.00531 m3
    assert cores.cores_t == pytest.approx(1.5080, abs=1e-4)
    assert cores.cores_m3 == pytest.approx(1.2064, abs=1e-4)
    # two passes over 400 m2 at 10 000 m2/h = 0.08 h, and 0.1 h; two people
    sand = job(SAND, 400, labour=LABOUR)
    assert (sand.machine_h, sand.crew_h) == pytest.approx((0.18, 0.36))
    # 2 kg/m2 on 400 m2 = 0.8 t, 5 % lost: 0.84 t dry, 0.8736 t moist, 0.525 m3 at 1.6 t/m3
    assert (sand.bought_dry_t, sand.moist_sand_t, sand.bought_m3) == pytest.approx((0.84, 0.8736, 0.525))


def test_us_units_give_the_same_hours_and_the_same_money():
    # 5 ft = 1.524 m, 2 mph = 3.218688 km/h
    task = Task("a", work="coring", machine="x", width_m="5 ft", speed_km_h="2 mph")
    assert (task.width_m, task.speed_km_h) == pytest.approx((1.524, 3.218688))
    # a short ton is 0.90718474 t, a square foot 0.09290304 m2
    found = Prices(
        currency="USD",
        crew_per_h="20 USD",
        sand_per_t="40 USD/short ton",
        contractor_per_m2={"coring": "USD 0.05 / ft2"},
        load=9,
    )
    assert found.sand_per_t == pytest.approx(40 / 0.90718474)
    assert found.contractor_per_m2["coring"] == pytest.approx(0.05 / 0.09290304)
    with pytest.raises(mat.InputError) as caught:
        Prices(currency="USD", crew_per_h="20 USD/ft2", sand_per_t="40 USD/ton", load="9 USD/t")
    assert [(p.place, p.expected) for p in caught.value.problems] == [
        ("crew_per_h", "after the stroke a unit of the same kind as h"),
        ("sand_per_t", "after the stroke 'short ton', 'long ton' or 't'"),
        ("load", "after the stroke no unit"),
    ]


def prices(**more):
    return Prices(
        currency="EUR", crew_per_h=20, machine_per_h={"corer": 50, "spreader": "10 EUR"}, sand_per_t=30, **more
    )


def priced(programme, years=(2025, 2026), play=None, passed=(0.0, 0.0), sand_off=(1.0, 1.0), turf=TURF, **more):
    days = (dt.date(years[0], 1, 1), dt.date(years[-1], 12, 31))
    return budget(
        programmes=["one"],
        calendars=[[programme]],
        ahead=PlayAhead(turf, play, days=days, draws=len(passed), seed=0),
        span_years=len(years),
        areas_m2=[400],
        prices=prices(**more),
        labour=LABOUR,
        play=play,
        passed=np.array([passed]),
        sand_off=np.array(sand_off),
    )


def line(found, name):
    return found.amounts[0, :, LINES.index(name)].tolist()


def test_a_budget_worked_by_hand():
    later = DAY.replace(year=2026)
    found = priced(
        [(DAY, CORES), (DAY, SAND), (later, CORES)], load=100, core_per_t=8, inflation=0.1, discount_rate=0.25
    )
    # 2025: 0.3 h + 0.36 h of crew at 20; 0.3 h at 50 + 0.18 h at 10; 0.8736 t at 30; one load; 1.508 t of cores at 8
    assert line(found, "crew") == pytest.approx([13.2, 6.6])  # 2026: 0.3 h at 20, and 10 %
    assert line(found, "machines") == pytest.approx([16.8, 16.5])
    assert line(found, "sand") == pytest.approx([26.208, 0])
    assert line(found, "delivery") == pytest.approx([100, 0])
    assert line(found, "cores away") == pytest.approx([12.0637, 13.2701], abs=1e-3)
    # present value: 2025 as it is, 2026 over 1.25
    assert found.total[0] == pytest.approx(168.2717 + 36.3701 / 1.25, abs=1e-3)


def test_lost_and_discounted_play_worked_by_hand():
    play = Play(rounds_a_week=[70] * 12, lost_share=0.2, discount_share=0.25, closed_days=2)
    found = priced([(DAY, CORES)], years=(2025,), play=play, round=40)
    # ten rounds a day at 40: two days closed lose 400 each; eight slow days lose 80 each and give back a quarter of 320
    assert line(found, "play lost") == pytest.approx([2 * 400 + 8 * 80])
    assert line(found, "play at a discount") == pytest.approx([8 * 80])
    assert (found.disrupted_days[0, 0], found.closed_days[0, 0]) == (10, 2)


def test_openings_that_overlap_disrupt_their_days_once():
    found = priced([(DAY, CORES), (DAY + dt.timedelta(days=4), CORES)], years=(2025,))
    assert found.disrupted_days[0, 0] == 14


def test_doing_too_little_costs_its_probability():
    found = priced([], passed=(0.5, 0.0), renovation=8000, too_much_om_percent=5)
    assert line(found, "doing too little") == [0, 2000]
    assert found.total_by_draw.tolist() == [[4000, 0]]


def test_draws_of_healing_and_sand_worked_by_hand():
    class Slow(Weeks):
        """Turf that takes ten days in one draw and thirty in the other."""

        def days(self, work, day, *, cover_percent=99.0):
            return np.array([[10.0, 30.0]])

    turf = Slow(draws=np.zeros((2, 3)), first_day=DAY, degree_days=np.zeros(1), readings=0)
    play = Play(rounds_a_week=[70] * 12, lost_share=0.2, closed_days=1)
    works = [(DAY, CORES), (DAY, SAND)]
    found = priced(works, years=(2025,), play=play, turf=turf, sand_off=(1.0, 2.5), round=40, load=100)
    assert found.disrupted_days_by_draw.tolist() == [[10, 30]]
    # 13.2 of crew and 16.8 of machines; sand 26.208, one load, or 2.5 times as much, 2.184 t in two loads; one day
    # closed loses 400, nine or 29 slow days lose 80 each
    assert found.a_year_by_draw[0] == pytest.approx([30 + 26.208 + 100 + 400 + 720, 30 + 65.52 + 200 + 400 + 2320])
    # what the budget shows: the plan's sand and load, the mean of play
    assert line(found, "sand") + line(found, "delivery") == pytest.approx([26.208, 100])
    assert line(found, "play lost") == pytest.approx([400 + (720 + 2320) / 2])


def test_days_after_the_forecast_and_in_the_next_year_are_counted_where_they_fall():
    autumn = dt.date(2025, 12, 27)
    found = priced([(autumn, CORES), (autumn.replace(year=2026), CORES)])
    assert found.disrupted_days.tolist() == [[5, 10]]


def test_a_contractor_takes_the_place_of_crew_and_machines():
    found = priced([(DAY, CORES), (DAY, SAND)], years=(2025,), contractor_per_m2={"coring": 0.5})
    assert line(found, "contractor") == [200]
    assert line(found, "crew") == pytest.approx([7.2])
    assert line(found, "sand") == pytest.approx([26.208])


def test_what_is_not_counted_is_said():
    assert sum("not counted" in note for note in priced([]).notes) == 4


def test_prices_in_two_currencies_and_missing_ones_are_all_named():
    with pytest.raises(mat.InputError) as caught:
        Prices(currency="EUR", crew_per_h="20 USD", machine_per_h={"corer": "ten"}, sand_per_t=None, round=-1)
    text = str(caught.value)
    for place in (
        "crew_per_h: 20 USD; expected an amount in EUR",
        "machine_per_h.corer",
        "sand_per_t: none",
        "round: -1",
    ):
        assert place in text


def test_a_machine_without_a_price_is_named_with_its_task():
    lacking = Prices(currency="EUR", crew_per_h=20, sand_per_t=30).lacking([CORES, SAND], LABOUR)
    assert [problem.place for problem in lacking] == ["prices.machine_per_h.corer", "prices.machine_per_h.spreader"]


def test_a_green_without_area_is_refused():
    with pytest.raises(mat.InputError, match="area_m2"):
        job(CORES, 0, labour=LABOUR)


def test_a_play_calendar_needs_months_or_weeks():
    with pytest.raises(mat.InputError, match="rounds_a_week: 3 figures; expected 12 figures"):
        Play(rounds_a_week=[1, 2, 3])

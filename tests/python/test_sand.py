import pickle
from pathlib import Path

import numpy as np
import polars as pl
import pytest

import matledger as mat
from matledger import plots, sand
from matledger.errors import InputError

CHECKS = Path(__file__).parents[1] / "checks"
USGA = mat.Specification.usga_root_zone()
SIEVES = ["No. 6", "No. 10", "No. 18", "No. 35", "No. 60", "No. 100", "No. 270"]
PILE = mat.Grading("pile", SIEVES, [100, 100, 99, 75, 15, 4, 1])
GROUND = mat.Grading("ground", SIEVES, [100, 98, 90, 45, 10, 3, 1])


def test_sieves_by_number_length_or_unit():
    assert PILE.sizes_mm == [3.35, 2.0, 1.0, 0.5, 0.25, 0.15, 0.053]
    assert mat.Grading("a", ["#18", "0.5 mm", 0.25], [90, 50, 10]).sizes_mm == [1.0, 0.5, 0.25]
    with pytest.raises(InputError, match=r"sieves\[1\]: No. 61; expected a US sieve"):
        mat.Grading("a", ["No. 18", "No. 61"], [90, 50])


def test_das_example_from_masses():
    # Das, Principles of Geotechnical Engineering, example 2.1 (tests/checks/psd_worked_examples.csv, read)
    sieves = [4.75, 2.0, 0.85, 0.425, 0.25, 0.18, 0.15, 0.075]
    retained = [0, 40, 60, 89, 140, 122, 210, 56]
    one = mat.Grading.from_retained("Das", sieves, retained, pan_g=12)
    assert one.d_mm(10) == pytest.approx(0.150639, rel=1e-5)
    assert one.uniformity == pytest.approx(1.912335, rel=1e-5)
    assert one.curvature == pytest.approx(0.673573, rel=1e-5)
    heaps = np.cumsum(retained)
    assert mat.Grading.from_retained("Das", sieves, heaps, sample_g=729, cumulative=True).finer_percent == (
        pytest.approx(one.finer_percent)
    )
    assert one.d_mm(1) is None


def test_fines_by_pipette():
    retained = [0, 0, 1, 24, 60, 11, 3]
    one = mat.Grading.from_retained("a", SIEVES, retained, pan_g=1, silt_percent=0.6, clay_percent=0.4)
    check = one.check(USGA)
    assert check.held is True
    assert check.table().columns["how"] == ["measured"] * 8
    with pytest.raises(InputError, match=r"silt_percent \+ clay_percent: 5.0 %"):
        mat.Grading.from_retained("a", SIEVES, retained, pan_g=1, silt_percent=3, clay_percent=2)


def test_check_in_words():
    fine = mat.Grading("fine", SIEVES, [100, 100, 99, 90, 45, 12, 3])
    check = fine.check(USGA)
    assert check.held is False
    assert check.in_words() == (
        "fine breaks 4 of 8 limits: coarse + medium sand 54.0 % (at least 60 %); fine sand 33.0 % (at most 20 %);"
        " very fine sand 9.0 % (at most 5 %); very fine sand + silt + clay 12.0 % (at most 10 %)."
    )
    assert PILE.check(USGA).held is True


def test_bad_input_is_said_plainly(tmp_path):
    with pytest.raises(InputError, match=r"sieves\[1\]: 1; expected a size below 0.5 mm: sieves coarse to fine"):
        mat.Grading.from_retained("a", [0.5, 1.0], [1, 2], pan_g=1)
    with pytest.raises(InputError, match=r"97.0 g on the sieves and in the pan, 3.0 % off"):
        mat.Grading.from_retained("a", [0.5, 0.25], [40, 50], pan_g=7, sample_g=100)
    with pytest.raises(InputError, match=r"no class from 0.15 to 0.5 mm"):
        mat.Specification(
            "own",
            [
                sand.Limit(name="fines", lower_mm=0, upper_mm=0.15, most_percent=3),
                sand.Limit(name="rest", lower_mm=0.5, upper_mm=2),
            ],
        )
    with pytest.raises(InputError, match="nan"):
        mat.Grading("a", [1, 0.5], [90, np.nan])
    own = tmp_path / "own.csv"
    own.write_text("class,lower_mm,upper_mm,least_percent,most_percent\nfines,0,0.15,,3\ncoarse,0.5,1,,10\n")
    with pytest.raises(InputError, match=r"own.csv, limits: no class from 0.15 to 0.5 mm"):
        mat.read_specification(own, name="own")
    table = tmp_path / "sieves.csv"
    table.write_text("sand,sieve,retained_g\npile,No. 35,30\npile,No. 18,2\npile,pan,8\n")
    with pytest.raises(InputError, match=r"sieves.csv, row 3: 1; expected a size below 0.5 mm"):
        mat.read_sieve_analyses(table)


def test_analyses_are_read_from_files_and_frames(tmp_path):
    text = "sand,sieve,retained_g\npile,1,2\npile,No. 35,38\npile,0.25,50\npile,pan,10\npile,sample,101\n"
    path = tmp_path / "sieves.csv"
    path.write_text(text)
    (one,) = mat.read_sieve_analyses(path)
    assert one == mat.Grading.from_retained("pile", [1, 0.5, 0.25], [2, 38, 50], pan_g=10)
    assert mat.read_sieve_analyses(pl.read_csv(path)) == (one,)
    assert pickle.loads(pickle.dumps(one)) == one
    limits = "class,lower_mm,upper_mm,most_percent\nfines,0,0.15,3\nrest,0.15,2,\n"
    path.write_text(limits)
    own = mat.read_specification(path, name="own")
    assert [str(limit) for limit in own.limits] == ["at most 3 %", "free"]


def test_layers_both_ways():
    down, up = PILE.over(GROUND), GROUND.over(PILE)
    assert (down.finer_above, up.finer_above) == (True, False)
    assert down.bridging == up.bridging
    assert down.bridges
    assert "finer than ground" in down.in_words()
    assert PILE.over(PILE).alike
    # tests/checks/gravel_criteria_examples.csv, gravel B: does not bridge
    root_zone = mat.Grading("root zone", [0.790303, 0.155483], [85, 15])
    gravel = mat.Grading("gravel", [11.0, 8.0], [90, 15])
    with pytest.raises(InputError, match="root zone: D90 lies beyond the sieves"):
        root_zone.over(gravel)


def test_porosity_of_packed_sand():
    assert sand.porosity("100 lb/ft3") == pytest.approx(1 - 1.6018463 / 2.65, rel=1e-6)
    assert sand.bulk_density_g_cm3(sand.porosity(1.55)) == pytest.approx(1.55)
    with pytest.raises(InputError, match="no more than the particles'"):
        sand.porosity(2.7)


WORK = [
    ("2014-04-14", mat.Coring(tine=mat.Tine(inside_diameter_mm=12.7), spacing_mm=(50, 50), depth_mm=75)),
    ("2014-04-14", mat.Topdressing(sand_mm=2.5, passes=3)),
    *((f"2014-{month:02}-15", mat.Topdressing(sand_mm=0.4)) for month in range(5, 10)),
]
DAYS = {"clippings_g_m2": np.full(365, 0.5), "decay_modifier": np.ones(365), "start": "2014-01-01"}


def test_sands_keep_their_mass_from_order_to_column():
    green = mat.Green("1", area_m2=500)
    order = mat.order_sand([green], WORK, buying=mat.Buying(load_t=1, sand_moisture_share=0.05, sand_waste_share=0.02))
    mixture = mat.sand_in_ground(
        GROUND, [("2014-01-01", PILE), ("2014-07-01", GROUND)], work=WORK, read_on=["2014-12-31"], **DAYS
    )
    brought = [row[1] for row in mixture.accounts]
    assert sum(brought) * 500 == pytest.approx(order.sand_dry_t * 1000, rel=1e-12)
    for start, came, cored, mown, end in mixture.accounts:
        assert start + came == pytest.approx(cored + mown + end, rel=1e-9)
    run = mat.simulate(work=WORK, read_on=["2014-12-31"], stretch_days=15, blur_percent_mm=0, **DAYS)
    end = float(run.ledger.total("end", "mineral")) / 1000
    assert sum(row[-1] for row in mixture.accounts) == pytest.approx(end, rel=1e-9)
    # What the window holds by the run: dry mass less organic matter.
    mineral = run.om_kg_m2 * (100 / run.om_percent - 1)
    assert sum(mixture.mineral_kg_m2[0][0]) == pytest.approx(float(mineral[0, 0]), rel=1e-9)
    blend = mixture.grading()
    assert GROUND.finer(0.5) < blend.finer(0.5) < PILE.finer(0.5)
    with pytest.raises(InputError, match="none on 2014-04-14"):
        mat.sand_in_ground(GROUND, [("2014-06-01", PILE)], work=WORK, read_on=["2014-12-31"], **DAYS)


def test_order_counts_loads_stock_and_thick_layers(tmp_path):
    greens = [mat.Green(str(n), area_m2=500) for n in range(1, 4)]
    buying = mat.Buying(load_t=10, sand_moisture_share=0.05, sand_waste_share=0.03, stock_dry_t=2)
    order = mat.order_sand(greens, [("2014-05-01", mat.Topdressing(sand_mm=3))], buying=buying)
    line = order.lines[0]
    assert line.sand_dry_t == pytest.approx(3 * 500 * 3 * 1.6 / 1000)
    assert line.sand_dry_t + line.wasted_dry_t == pytest.approx(line.sand_dry_t * 1.03)
    assert (line.loads, line.delivered_moist_t) == (1, 10)
    assert pytest.approx(line.sand_dry_t + line.wasted_dry_t + line.stock_dry_t) == 2 + 10 / 1.05
    (warning,) = order.warnings
    assert "spread and drag in 3 passes instead of 1" in warning
    path = order.to_csv(tmp_path / "order.csv")
    assert path.read_text().splitlines()[0].startswith("date,sand_dry_t,in_holes_t")
    assert pl.read_csv(path)["loads"].to_list() == [1]
    with pytest.raises(InputError, match=r"sand_moisture_share: -0\.1"):
        mat.Buying(load_t=10, sand_moisture_share=-0.1)
    with pytest.raises(InputError, match="a green of the list"):
        mat.order_sand(greens, {"9": WORK}, buying=buying)


def test_grading_is_plotted_within_limits():
    axes = plots.grading([PILE, GROUND], USGA)
    assert [line.get_label() for line in axes.get_lines()] == ["pile", "ground"]
    axes.figure.clear()

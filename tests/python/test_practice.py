import copy
import dataclasses
import pickle

import numpy as np
import pytest

import matledger as mat
from matledger import _core, units
from matledger.errors import InputError
from matledger.practice import Work

TINE = mat.Tine(inside_diameter_mm=12.7)
WORKS = [
    mat.Coring(tine=TINE, spacing_mm=(50, 50), depth_mm=75),
    mat.Coring(
        tine=TINE,
        spacing_mm=("2 in", "1.5 in"),
        depth_mm="3 in",
        depth_sd_mm=5,
        passes=2,
        returned_mineral_share="80 %",
        returned_om_share=0.1,
        holes_open_days=7,
    ),
    mat.SolidTining(diameter_mm=8, spacing_mm=(40, 40), depth_mm=150),
    mat.VerticalMowing(blade_width_mm=2, blade_spacing_mm=25, depth_mm=20),
    mat.SandInjection(sand_mm=2.5, from_mm=0, to_mm=150),
    mat.SandInjection(sand_kg_m2=4, from_mm=0, to_mm=150),
    mat.Topdressing(sand_mm="4 ft3/1000 ft2", passes=2),
    mat.Topdressing(sand_kg_m2="100 lb/1000 ft2", picked_up_share=0.03),
]
each_work = pytest.mark.parametrize("work", WORKS, ids=lambda work: work.kind)


def test_quantities_are_kept_as_numbers():
    cores = WORKS[1]
    assert cores.spacing_mm == (50.8, 38.1)
    assert (cores.depth_mm, cores.returned_mineral_share, cores.passes) == (76.2, 0.8, 2)
    assert WORKS[6].sand_mm == 1.2192
    assert WORKS[6].sand_kg_m2 is None
    assert mat.Tine(inside_diameter_mm="1/2 in") == TINE
    count = mat.Topdressing(sand_mm=1, passes=np.int64(3)).passes
    assert (count, type(count)) == (3, int)


@each_work
def test_work_is_a_value(work):
    same = type(work)(**{field.name: getattr(work, field.name) for field in dataclasses.fields(work)})
    assert same == work
    assert hash(same) == hash(work)
    assert same.core == work.core
    for twin in (pickle.loads(pickle.dumps(work)), copy.deepcopy(work), dataclasses.replace(work)):
        assert twin == work
        assert twin.core == work.core
    assert eval(repr(work), {name: getattr(mat, name) for name in mat.__all__}) == work
    with pytest.raises(dataclasses.FrozenInstanceError):
        work.kind = "other"
    assert isinstance(work, Work)


@each_work
def test_work_is_shown(work):
    assert len(repr(work)) < 250
    assert str(work).startswith(work.kind.replace("_", " "))
    html = work._repr_html_()
    assert html.startswith("<table><caption>")
    assert ("area of one pass" in html) == (work.area_fraction > 0)
    assert ("dry sand" in html) == (work.sand_g_m2 > 0)


def test_work_in_words():
    assert [str(work) for work in WORKS] == [
        "coring, 12.7 mm bore at 50 x 50 mm, 75 mm deep",
        "coring, 12.7 mm bore at 50.8 x 38.1 mm, 76.2 mm deep, 2 passes",
        "solid tining, 8 mm at 40 x 40 mm, 150 mm deep",
        "vertical mowing, 2 mm blades at 25 mm, 20 mm deep",
        "sand injection, 2.5 mm of sand, 0 to 150 mm deep",
        "sand injection, 4 kg/m2 of sand, 0 to 150 mm deep",
        "topdressing, 1.219 mm of sand, 2 passes",
        "topdressing, 0.4882 kg/m2 of sand",
    ]
    assert repr(WORKS[0]) == ("Coring(tine=Tine(inside_diameter_mm=12.7), spacing_mm=(50.0, 50.0), depth_mm=75.0)")


def test_a_change_of_one_argument_is_another_work():
    assert dataclasses.replace(WORKS[0], passes=2) != WORKS[0]
    assert dataclasses.replace(WORKS[0], passes=2).core != WORKS[0].core
    assert mat.Topdressing(sand_mm=1) != mat.SandInjection(sand_mm=1, from_mm=0, to_mm=1)


def test_geometry():
    """Row 0.5 in, 2 x 2 in of tests/checks/tine_geometry.csv; tests/practice.rs holds the whole table."""
    cores = mat.Coring(tine=TINE, spacing_mm=("2 in", "2 in"), depth_mm="3 in", passes=2)
    assert cores.area_fraction == pytest.approx(0.0491, abs=5e-5)
    assert cores.area_plain_sum == pytest.approx(2 * cores.area_fraction)
    assert cores.area_share == pytest.approx(1 - (1 - cores.area_fraction) ** 2)
    assert cores.holes_per_m2 == pytest.approx(2 * 36 / 0.09290304)
    assert cores.hole_volume_mm == pytest.approx(cores.area_share * 76.2)
    one = dataclasses.replace(cores, passes=1)
    assert units.convert(one.hole_volume_mm, "mm", "ft3/1000 ft2") == pytest.approx(12.27, abs=5e-3)
    assert mat.Topdressing(sand_mm=1).holes_per_m2 is None


def test_sand_by_depth_and_by_mass():
    assert mat.Topdressing(sand_mm=1).sand_g_m2 == 1600
    assert mat.Topdressing(sand_kg_m2=1.6).core == mat.Topdressing(sand_mm=1).core
    assert mat.SandInjection(sand_mm=2.5, from_mm=0, to_mm=100).sand_g_m2 == 4000
    assert _core.SAND_BULK_DENSITY_G_CM3 == 1.6


def messages(make):
    with pytest.raises(InputError) as caught:
        make()
    assert pickle.loads(pickle.dumps(caught.value)).problems == caught.value.problems
    return str(caught.value).split("\n")


LENGTH = "expected a length such as 12.7 or '0.5 in'"


@pytest.mark.parametrize(
    ("make", "expected"),
    [
        (
            lambda: mat.Tine(inside_diameter_mm=-1),
            ["tine.inside_diameter_mm: -1; expected more than 0 mm"],
        ),
        (
            lambda: mat.Tine(inside_diameter_mm="0,5 in"),
            [
                "tine.inside_diameter_mm: '0,5 in'; "
                "expected a decimal point and no comma, such as '0.5 in' or '5000 ft2'"
            ],
        ),
        (
            lambda: mat.Coring(tine=12.7, spacing_mm=50, depth_mm=True, passes=1.5, holes_open_days=-1),
            [
                "coring.tine: 12.7; expected a tine such as Tine(inside_diameter_mm=12.7)",
                "coring.spacing_mm: 50; expected a pair (along, across) such as (50, 50) or ('2 in', '2 in')",
                f"coring.depth_mm: True (bool); {LENGTH}",
                "coring.passes: 1.5 (float); expected a whole number from 0",
                "coring.holes_open_days: -1 (int); expected a whole number from 0",
            ],
        ),
        (
            lambda: mat.Coring(tine=TINE, spacing_mm=("2 lb", 50), depth_mm=75),
            [f"coring.spacing_mm[0]: '2 lb'; {LENGTH}"],
        ),
        (
            lambda: mat.Coring(tine=TINE, spacing_mm="50", depth_mm=75, passes=True),
            [
                "coring.spacing_mm: '50'; expected a pair (along, across) such as (50, 50) or ('2 in', '2 in')",
                "coring.passes: True (bool); expected a whole number from 0",
            ],
        ),
        (
            lambda: mat.Coring(tine=TINE, spacing_mm=(10, 50), depth_mm=-75, passes=0, returned_om_share=2),
            [
                "coring.spacing_mm: 10; expected at least the tine's diameter (12.7 mm)",
                "coring.depth_mm: -75; expected a depth above 0 mm",
                "coring.returned_om_share: 2; expected a share from 0 to 1",
                "coring.passes: 0; expected 1 to 20 passes",
            ],
        ),
        (
            lambda: mat.SolidTining(diameter_mm=float("nan"), spacing_mm=(40, 40), depth_mm=150),
            [f"solid_tining.diameter_mm: nan; {LENGTH}, finite"],
        ),
        (
            lambda: mat.VerticalMowing(blade_width_mm=3, blade_spacing_mm=2, depth_mm=20),
            ["vertical_mowing.blade_spacing_mm: 2; expected more than the blade's width (3 mm)"],
        ),
        (
            lambda: mat.SandInjection(sand_mm=1, from_mm=100, to_mm=50),
            ["sand_injection.to_mm: 50; expected a depth below from_mm (100 mm)"],
        ),
        (lambda: mat.Topdressing(sand_mm=-3), ["topdressing.sand_mm: -3; expected more than 0 mm"]),
        (
            lambda: mat.Topdressing(sand_kg_m2="-3 kg/m2"),
            ["topdressing.sand_kg_m2: -3 kg/m2; expected more than 0 kg/m2"],
        ),
        (
            lambda: mat.Topdressing(),
            ["topdressing.sand: not given; expected exactly one of sand_mm and sand_kg_m2"],
        ),
        (
            lambda: mat.Topdressing(sand_mm=1, sand_kg_m2=1.6),
            ["topdressing.sand: sand_mm 1 and sand_kg_m2 1.6; expected exactly one of sand_mm and sand_kg_m2"],
        ),
        (
            lambda: mat.Topdressing(sand_mm=1, passes=2**40),
            [f"topdressing.passes: {2**40} (int); expected a whole number from 0"],
        ),
    ],
)
def test_problems_come_at_once_and_by_name(make, expected):
    assert messages(make) == expected


def test_missing_and_unknown_arguments():
    with pytest.raises(TypeError, match="depth_mm"):
        mat.Coring(tine=TINE, spacing_mm=(50, 50))
    with pytest.raises(TypeError, match="deep"):
        mat.Topdressing(sand_mm=1, deep=3)


def test_passes_and_swaths():
    """Common practice, no source: three or four passes to fill, about four swaths to a green."""
    volume = WORKS[0].hole_volume_mm
    passes = [mat.passes_to_fill(volume, fill_fraction=fill, sand_mm_per_pass=1) for fill in ("70 %", 0.9)]
    assert passes == [3, 4]
    assert mat.spreader_swaths(swath_m="15 ft", green_width_m=18) == 4
    assert messages(lambda: mat.passes_to_fill(-1, fill_fraction=2, sand_mm_per_pass=0)) == [
        "hole_volume_mm: -1; expected 0 mm or more, finite",
        "fill_fraction: 2; expected a share from 0 to 1",
        "sand_mm_per_pass: 0; expected sand above 0 mm, finite",
    ]
    assert messages(lambda: mat.spreader_swaths(swath_m=0, green_width_m=18)) == [
        "swath_m: 0; expected a width above 0 m, finite"
    ]

import datetime as dt
import pickle
from dataclasses import replace

import numpy as np
import pytest

import matledger as mat
from matledger.errors import InputError

# An invented climate: nothing grows in winter, 20 degree days a day at midsummer.
START = dt.date(2013, 1, 1)
HEAT = np.maximum(-20 * np.cos(2 * np.pi * np.arange(3 * 365 + 1) / 365.25), 0)


def record(green: str, first: int, last: int, dry_g_m2: float) -> mat.ClippingRecord:
    return mat.ClippingRecord(green, START + dt.timedelta(first), START + dt.timedelta(last), dry_g_m2)


@pytest.mark.parametrize(
    ("given", "expected"),
    [
        ({"grass": "creeping bentgrass"}, 6.0),
        ({"grass": "ultradwarf bermudagrass"}, 6.0),
        ({"grass": "manilagrass"}, 11.0),
        ({"grass": "Ultradwarf  Bermuda grass"}, 6.0),
        ({"dry_matter_g_l": 75.0}, 7.5),
    ],
)
def test_volume_becomes_mass(given, expected):
    got = mat.ClippingRecord.from_volume("1", "2014-05-01", "2014-05-02", volume_l_m2=0.1, **given)
    assert got.dry_g_m2 == pytest.approx(expected)


@pytest.mark.parametrize(
    ("given", "message"),
    [
        ({}, "grass, dry_matter_g_l: neither; expected one of the two"),
        ({"grass": "manilagrass", "dry_matter_g_l": 80.0}, "grass, dry_matter_g_l: both"),
        (
            {"grass": "moss"},
            "grass: moss; expected creeping bentgrass, ultradwarf bermudagrass or manilagrass, or dry_matter_g_l",
        ),
        ({"grass": 3}, "grass: 3; expected creeping bentgrass"),
        ({"dry_matter_g_l": 0.0}, "dry_matter_g_l: 0; expected dry matter above 0 g/L"),
        ({"dry_matter_g_l": 60.0, "volume_l_m2": -1.0}, "volume_l_m2: -1"),
    ],
)
def test_volumes_that_cannot_be(given, message):
    with pytest.raises(InputError, match=message):
        mat.ClippingRecord.from_volume("1", "2014-05-01", "2014-05-02", **({"volume_l_m2": 0.1} | given))


@pytest.mark.parametrize(
    ("values", "message"),
    [
        ((" ", "2014-05-01", "2014-05-02", 1.0), "green: ' '; expected the name of a green"),
        (("1", "2014-05-03", "2014-05-02", 1.0), "last_day: 2014-05-02; expected 2014-05-03 or later"),
        (("1", "1 May", "2014-05-02", 1.0), "first_day: '1 May'; expected a day such as 2014-05-01"),
        (("1", "2014-05-01", None, 1.0), "last_day: None"),
        (("1", "2014-05-01", "2014-05-02", float("nan")), "dry_g_m2: NaN"),
        (("1", "2014-05-01", "2014-05-02", -1.0), "dry_g_m2: -1"),
        (("1", "2014-05-01", "2014-05-02", "2"), "dry_g_m2"),
    ],
)
def test_records_that_cannot_be(values, message):
    with pytest.raises(InputError, match=message):
        mat.ClippingRecord(*values)


def test_a_record_is_a_value():
    one = mat.ClippingRecord("1", np.datetime64("2014-05-01"), dt.datetime(2014, 5, 2), 3)
    assert one == mat.ClippingRecord("1", "2014-05-01", "2014-05-02", 3.0)
    assert replace(one, file="clippings.csv", row=4) == one
    assert hash(one) == hash(pickle.loads(pickle.dumps(one)))
    assert one.as_row() == {
        "green": "1",
        "first_day": dt.date(2014, 5, 1),
        "last_day": dt.date(2014, 5, 2),
        "dry_g_m2": 3.0,
    }


def test_prior_stands_in_and_says_so():
    b = mat.site_yield(START, HEAT)
    assert b.g_m2_per_degree_day == pytest.approx(170 / (HEAT.sum() / 1096 * 365.25), rel=1e-3)
    assert (b.log_sd, b.records, b.source) == (0.5, 0, "prior")
    own = mat.site_yield(START, HEAT, [record("1", 150, 156, 9.0)], prior_annual_g_m2=250, prior_log_sd=0.3)
    assert (own.source, own.records) == ("records", 1)
    assert own.log_sd < 0.3


def test_every_gram_lands_on_its_days():
    records = [record("1", 150, 156, 9.0), record("1", 157, 157, 1.0), record("1", 0, 1, 0.5)]
    b = mat.site_yield(START, HEAT, records)
    daily = mat.daily_clippings(START, HEAT, records, b)
    assert daily.clippings_g_m2[150:157].sum() == pytest.approx(9.0)
    assert np.flatnonzero(daily.measured).tolist() == [0, 1, *range(150, 158)]
    assert daily.clippings_g_m2[:2].tolist() == [0.25, 0.25]
    assert daily.spread_evenly == (records[2],)
    assert daily.clippings_g_m2[200] == b.g_m2_per_degree_day * HEAT[200]
    assert daily.dates[0] == np.datetime64(START)
    with pytest.raises(ValueError, match="read-only"):
        daily.clippings_g_m2[0] = 1.0
    again = pickle.loads(pickle.dumps(daily))
    assert (again.clippings_g_m2 == daily.clippings_g_m2).all()


def test_clashes_are_named():
    clash = "clippings of 1, 2013-05-31 to 2013-06-06: overlaps 2013-05-31 to 2013-06-01"
    records = [record("1", 150, 156, 9.0), record("1", 150, 151, 1.0)]
    with pytest.raises(InputError, match=clash):
        mat.site_yield(START, HEAT, records)
    with pytest.raises(InputError, match=r"clippings of 2, .*: another green; expected records of 1 only"):
        mat.daily_clippings(START, HEAT, [records[0], record("2", 150, 156, 9.0)], mat.site_yield(START, HEAT))
    with pytest.raises(InputError, match="outside the weather; expected days from 2013-01-01 on, 1096 in all"):
        mat.site_yield(START, HEAT, [record("1", -2, 3, 1.0)])
    with pytest.raises(InputError, match="degree_days: 30 days; expected at least a year"):
        mat.site_yield(START, HEAT[:30])

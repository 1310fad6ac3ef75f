"""An invented course of nine greens on real weather, for examples, tests and a first look."""

from __future__ import annotations

from pathlib import Path

from matledger.course import Course
from matledger.course_file import load_course

__all__ = ["demo_course", "demo_folder"]

HERE = Path(__file__).parent


def demo_folder() -> Path:
    """Return the folder of the demo course: ``course.toml`` and its CSV files.

    Returns
    -------
    Path
        A folder that `matledger.load_course` reads. ``truth.json`` beside it holds the known values behind the records.
    """
    return HERE / "course"


def demo_course() -> Course:
    """Return the demo course: invented greens, records and programmes; daily weather of Seattle, 2012 to 2015.

    Returns
    -------
    Course

    References
    ----------
    The weather is the public-domain record of the National Oceanic and Atmospheric Administration as carried by the
    package vega_datasets; all else is made by ``python -m matledger.demo.make`` from known values.

    Examples
    --------
    >>> import matledger as mat
    >>> course = mat.demo_course()
    >>> course.name, len(course.greens), course.weather.years, course.invented
    ('Brackenwisp Down', 9, (2012, 2013, 2014, 2015), True)
    """
    return load_course(demo_folder())

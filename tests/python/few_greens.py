"""A course cut down to some of its greens, for tests that fit it often."""

from dataclasses import replace


def first_greens(course, count):
    """A course with some of its greens and no programmes."""
    names = {green.name for green in course.greens[:count]}
    return replace(
        course,
        greens=course.greens[:count],
        soil_tests=[test for test in course.soil_tests if test.green in names],
        clippings=[record for record in course.clippings if record.green in names],
        work=[record for record in course.work if record.green in names],
        programmes=(),
    )

"""The demo course cut down, for tests that fit it often."""

import matledger as mat


def demo_greens(count):
    """The demo course with its first greens."""
    course = mat.demo_course()
    return course.only([green.name for green in course.greens[:count]])

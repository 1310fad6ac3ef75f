"""Gather every message of the library by its kind, and say what to do about each.

Run it to rewrite ``docs/errors.md``; a test holds the page to the source, and fails for a message of no kind.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from textwrap import fill

from source_messages import GAP, ROOT, numerical_texts, python_texts, rust_texts

PAGE = Path(__file__).with_name("errors.md")


@dataclass(frozen=True)
class Kind:
    """One kind of message: what it asks for, what to do, and the texts that belong to it."""

    title: str
    do: str
    texts: str

    def holds(self, text: str) -> bool:
        """Whether a text is of this kind."""
        return re.search(self.texts, text) is not None


KINDS = (
    Kind(
        "A file that cannot be read",
        "The file is not the plain table or TOML that is asked for. Look at the path first, then open the file in a "
        "text editor, not in a spreadsheet. From a spreadsheet save it as *CSV UTF-8* with commas. The row that is "
        "named counts from 1, blank lines included.",
        r"^a file(?! name)|^a header and rows|^at least one row under|UTF-8|^commas between|quotes come in pairs|TOML"
        r"|cells(, one for each|: )|^fewer; the rows|269 characters|in five characters|within the course's folder"
        r"|header in the first row"
        r"|straight quotes"
        r"|^text: save|^columns of different names|^a folder that holds|^a path to a CSV|^a folder that is not",
    ),
    Kind(
        "A name of a column or key",
        "The names that are known are listed with the message, the nearest last. Correct the spelling, or declare a "
        "heading of your own under `columns` and its unit under `units` ([how](how-to/course-folder.md)). A required "
        "column that is called missing is often there under another name: the line above says which.",
        r"^(a column …|no value in a column|a known unit at its end|… …: …|no unit: )"
        r"|^either … or …, not both|^one …, not two of that name"
        r"|^one of …( \(nearest: …\)|…)?$|^nothing[:; ]|^a section|a table of keys|tables, each under"
        r"|^texts by column name|^a value$|^a unit of the same kind|in its place, and units|goes under columns",
    ),
    Kind(
        "Nothing is left to choose from",
        "The limits, or the priors, exclude everything. Loosen the one that the message names.",
        r"^limits that|a limit of … %|ground that exists|fit can start|readings of 0 to 100|one that is$"
        r"|three for each unknown",
    ),
    Kind(
        "A sand that was not sieved finely enough",
        "The size that is asked for lies beyond the sieves of the analysis. Ask the laboratory for a finer or a "
        "coarser sieve; nothing is extrapolated.",
        r"sieves (with|fine)|last sieve|a class for every size",
    ),
    Kind(
        "A study that cannot tell what is asked",
        "The table does not hold the comparison: treatments, blocks or seasons are missing or do not cross, or one "
        "unit stands for a whole treatment. Look at the units and seasons that the message names; no analysis can "
        "mend the layout of a trial that was run.",
        r"treatment|whole plots|\bin every block|season|method: tests|covariate|(three|one|each) sites?\b"
        r"|at least three|^tests before and after|window is as thick"
        r"|of the other (greens|courses)|a column of its own|scatter|fewer effects|an even number|two levels",
    ),
    Kind(
        "A file of results that is not of this run",
        "What was kept on disk belongs to another course, other settings or another version, or was changed since. "
        "Give a new file name, or run again.",
        r"checkpoint|same course|manifest|run the study|as it was when|^as when the study|a fit from"
        r"|earlier (posterior|fit)|seed of the results|^that of this study|a run of this study"
        r"|weather that the model was fitted with",
    ),
    Kind(
        "A gap or a repeat in a series",
        "One value a day, every day. Ask the station for the missing days, or say how to fill them "
        "([fill rules](how-to/read-weather.md)); what is filled is marked. Of two rows for one day keep the right one.",
        r"fill rule|^one row a day|^one value of an element|one station|Interpolate|^temperatures: the elements"
        r"|longest gap|share no day|^one reading of",
    ),
    Kind(
        "A date",
        "Dates are `YYYY-MM-DD`. In a spreadsheet give the column that format before you save. A day outside the "
        "weather needs more weather, or is a slip in the year; rules such as `second Monday of April` are listed in "
        "the message.",
        r"\bdates?\b(?!s \()|^a day|^two days|\bdays (of|from|such as [^(]*$)|or later$|a text such as '"
        r"|list of (days|texts)|YYYYMMDD|a year from|day that the month|that goes on for|^first and last day"
        r"|first day no"
        r"|value for every day to",
    ),
    Kind(
        "One of two, both, or neither",
        "The arguments or columns that are named belong together, or exclude each other. Give what the message asks "
        "for and take the rest away.",
        r"^both\b|^either\b|exactly one|or neither|^one of the two|which .* needs|no depths with|programmes only"
        r"|^no blocks|^one kind|pooling =|plain prior|sieves only"
        r"|^one number, or|12 figures|, or (both|the layer|the column|dry_matter_g_l)|, or a target$",
    ),
    Kind(
        "Two names for one thing, or one for two",
        "Give every green, programme, method and course a name of its own, and spell each the same way in every file. "
        "Names that differ only by spaces or case are taken for a slip.",
        r"^(a|the) name( |$)(?!of the calibration|that ends)|one spelling|one test of|does not overlap"
        r"|records of … only"
        r"|printable text|without a space|one currency",
    ),
    Kind(
        "Something that has to be there first",
        "The call needs what is named: add it to the course or pass it as an argument. A target stands under "
        "`[target]`, prices under `[prices]`, a play calendar under `[play]` "
        "([course folder](how-to/course-folder.md)).",
        r"^(a target|the extra|prices for|a play calendar|the price of|what it costs|a course with"
        r"|at least (one|two)|the mat's depth"
        r"|tests of a depth|a fit with|degree days given|some degree days|clippings on|an upper threshold"
        r"|a list with at"
        r"|coring or solid|at least a year|at least 10 draws|at least …, to weigh|a green with tests|a green tested)"
        r"|work that opens the surface",
    ),
    Kind(
        "An argument of another kind",
        "The message shows an example of what the argument takes; `help()` of the function says more.",
        r"such as [^0-9]|with quotes$|such as \(|^a pair|^a list of (pairs|programmes)|^a text|amounts by name"
        r"|^a Course, as|^…, by the name of an unknown|^axes of matplotlib|^its value at each course"
        r"|matledger\.(…$|Programme|\w+ gives)",
    ),
    Kind(
        "Figures that contradict each other",
        "Each figure could be right, the two together cannot. Look for columns in the wrong order, a unit of one of "
        "them, or an upper and a lower depth exchanged.",
        r"(at most|at least|no more than|more than|below|above) (tmax|the |fine_mm|lower_c|top_mm|from_mm"
        r"|on the|were|as much)"
        r"|the depth of the column|a size below …|as much as on|a depth inside|two (depths|sizes)|as the method"
        r"|least below"
        r"|within 2 %|^at most …",
    ),
    Kind(
        "Arrays that do not fit together",
        "Every array of one call has the shape that is named, usually one value a day or one for each member. Print "
        "the shapes; a series that starts a day late is the usual cause.",
        r"\bshape\b|^\(years|^as many|^one (for|value|dimension)|^1 value|… (coordinates|levels|values|rows"
        r"|variances|weights)"
        r"|every array|members of one plan|^a sample below|plan without readings|… sets of days|more rows than",
    ),
    Kind(
        "A number out of its range, or no number",
        "Look at the unit first: a figure in inches under `_mm`, or grams under `_kg`, is the usual cause; then at "
        "the decimal point, and at a spreadsheet that made a date of a figure. A number has a decimal point, no comma "
        "and no thousands mark.",
        r"\b(number|numbers|percentage|share|probability|factor|ratio|variance|noncentrality|finite|amount|price)\b"
        r"|decimal point|\babove 0\b|\b0\b.* or more|^(more than|at (most|least)|from|between) -?[0-9]|^an area of"
        r"|^-?[0-9…]+ (to|%|or more|day)|more than 0|^a (shift|temperature|diameter|time|length|standard deviation)\b"
        r"|^rain from|degrees of freedom|^…; …\?$",
    ),
    Kind(
        "A word that is not one of those known",
        "Write one of the words in the message, as it stands there.",
        r"^'|^one of |laplace, nested or nuts|^… \(nearest: …\)|^none$|^some of …|US sieve|^a green of"
        r"|^moist_sand_t, green"
        r"|a name of the calibration|a file name ending|three capital letters|a depth window of the study"
        r"|^none, or (--)?method|^after the stroke|^a method of the site|^a (course|site) of the study|^a task with",
    ),
)

NUMERICAL = (
    Kind(
        "",
        "A decay rate ran away. Look at `decay` priors of your own, and at the weather for temperatures in degF under "
        "a name in degC.",
        r"a decay rate of|decay rates that",
    ),
    Kind(
        "",
        "A test or a prior is so far from the model that nothing near it can be computed. The message names the test "
        "or the coordinate: check that record and its units, then priors of your own.",
        r"log density|column is not|is not a number|left",
    ),
    Kind(
        "",
        "The tests do not hold down every unknown, usually because a prior of yours is very wide. Use the package's "
        'priors, or `method="nuts"`.',
        r"information matrix|covariance to straighten|chain cannot go on",
    ),
    Kind(
        "",
        "The mixed model of the study has no clear optimum: too few units, or columns of very unequal size. Leave out "
        "a random term, or scale the covariate.",
        r"mixed model|fixed columns|degrees of freedom",
    ),
    Kind(
        "",
        "The machine refused a thread or a solver. Close other programs and run again; if it comes back, report it.",
        r"thread|choice by green|^…$",
    ),
)

ERRORS = (
    (
        "`InputError` (a `ValueError`)",
        "something that you gave cannot be used",
        "mend each line; look up its kind below. `error.problems` holds place, value, file, row and column apart",
    ),
    (
        "`OSError`",
        "a file cannot be read or written",
        "look at the path, the permissions and the space on the disk. What was there before is still there",
    ),
    (
        "`RuntimeError`",
        "no answer could be computed",
        "look it up under [no answer](#no-answer)",
    ),
    (
        "`KeyboardInterrupt`",
        "you stopped it",
        "nothing is half written; run it again. A fit with `checkpoint=` goes on where it was",
    ),
    (
        "`ModuleNotFoundError`",
        "an optional package is missing",
        "`pip install` it by its name, or [the extra](#extras) that holds it",
    ),
    (
        "`TypeError`, `AttributeError`",
        "an argument or name that does not exist",
        "`help()` of the function, or [the reference](reference/index.md)",
    ),
    (
        "`UnusualWarning`",
        "a number, or an order of work, is possible but unusual",
        "look at its unit, or at the order: the message says what is usual, and which unit would explain the figure. "
        "It was read as it stands",
    ),
    (
        "`SinkingWarning`",
        "cores took out more than sand put back",
        "add sand, or read a fall in % with care: the window looks into older ground",
    ),
    (
        "`LeftDomainWarning`",
        "some members are NaN",
        "look at their unknowns: they left what the model holds for",
    ),
    (
        "`InterruptedWarning`",
        "a run was stopped early",
        "what is there is right, the rest is NaN; run it again",
    ),
    (
        "`UserWarning`",
        "a formula was used where it is doubtful",
        "the message says how many days, and what was done",
    ),
)

HEAD = """\
# Errors

What can go wrong, and what to do next. `docs/make_errors.py` gathers this page from the source: every message that the
library can give is of one of the kinds below, or a test fails. [Broken files](broken-files.md) shows whole files and
what is said of them.

## How a message reads

```text
soil_tests.csv, row 9, column om_percent: 12/10; expected a number from 0 to 100 (%)
```

The place (file, row, column or argument), what was found there, and after *expected* what would have been accepted. The
header is row 1; things in `course.toml` count from 0, as in `programme[0]`. One error lists all that is wrong, so mend
every line before you try again; what needs every row or a whole section is looked at once all its cells can be read.
A message that seems wrong is a fault of ours: [report it](first-hour.md#if-something-goes-wrong).

## Which error
"""

TAIL = """
## No answer

A `RuntimeError` says that the input was read and the numbers failed.

A ledger that does not close is a fault of ours. Please report it with the files that show it.

- `the … ledger does not close: relative error …`
"""


def kind_of(text: str, kinds: tuple[Kind, ...] = KINDS) -> Kind | None:
    """Return the first kind that a text of the source is of."""
    return next((kind for kind in kinds if kind.holds(text)), None)


@cache
def texts() -> tuple[str, ...]:
    """Return every text of the source that says what was expected."""
    return tuple(sorted(python_texts() | rust_texts(), key=lambda text: (text.casefold(), text)))


@cache
def _forms() -> tuple[tuple[re.Pattern[str], Kind], ...]:
    """Every text as a pattern of what it becomes, the one with the most words first."""
    by_length = sorted(texts(), key=lambda text: -len(text.replace(GAP, "")))
    forms = [(re.compile(re.escape(text).replace(GAP, ".+"), re.S), kind_of(text)) for text in by_length]
    return tuple((pattern, kind) for pattern, kind in forms if kind is not None)


def kind_of_message(expected: str) -> Kind | None:
    """Return the kind of an actual message, by what it expected."""
    return next((kind for pattern, kind in _forms() if pattern.fullmatch(expected)), None) or kind_of(expected)


def link(kind: Kind) -> str:
    """Return a link to a kind, from a page beside this one."""
    anchor = re.sub(r"[^a-z0-9 -]", "", kind.title.lower()).replace(" ", "-")
    return f"[{kind.title.lower()}]({PAGE.name}#{anchor})"


def table_of(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table of a page."""
    return "".join(f"| {' | '.join(row)} |\n" for row in (head, ["---"] * len(head), *rows))


def extras() -> str:
    """Return a table of the extras and what they bring."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    return table_of(
        ("command", "brings"),
        (
            (f'`pip install "matledger[{name}]"`', ", ".join(re.split(r"[>=<]", need)[0] for need in needs))
            for name, needs in project["optional-dependencies"].items()
        ),
    )


def page() -> str:
    """Return the page."""
    table = table_of(("error", "what it means", "what to do next"), ERRORS)
    parts = [HEAD, f"{table}\n## What was expected\n"]
    for kind in KINDS:
        held = "\n".join(f"- `{text}`" for text in texts() if kind_of(text) is kind)
        parts.append(f"### {kind.title}\n\n{fill(kind.do, 120, break_on_hyphens=False)}\n\n{held}\n")
    tail = TAIL
    for kind in NUMERICAL:
        held = "\n".join(f"- `{text}`" for text in sorted(numerical_texts()) if kind_of(text, NUMERICAL) is kind)
        tail += f"\n{fill(kind.do, 120, break_on_hyphens=False)}\n\n{held}\n"
    return "\n".join(parts) + tail + f"\n## Extras\n\n{extras()}"


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

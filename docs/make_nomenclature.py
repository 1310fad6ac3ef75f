"""Write the tables of ``docs/nomenclature.md`` from the registry of variables: ``python docs/make_nomenclature.py``."""

from collections.abc import Iterable
from pathlib import Path

from matledger.variables import Variable, unknowns, variables

PAGE = Path(__file__).with_name("nomenclature.md")
MARK = "<!-- What follows is written by docs/make_nomenclature.py. -->\n"


def table(header: tuple[str, ...], rows: Iterable[tuple[str, ...]]) -> str:
    """Write a table."""
    lines = [header, ("---",) * len(header), *rows]
    return "".join(f"| {' | '.join(cell.replace('|', ' ') for cell in line)} |\n" for line in lines)


def meaning(one: Variable) -> str:
    """Say what a variable is, and what else there is to know."""
    standard = f"CF standard name `{one.standard_name}`" if one.standard_name else ""
    return "; ".join(part for part in (one.long_name, one.description, standard) if part)


def bounds(one: Variable) -> str:
    """Say what a number may be."""
    return one.range.words or ("any whole number" if one.kind == "integer" else "any")


def tables() -> str:
    """Write what follows the mark."""
    every = list(variables().values())
    numbers = [one for one in every if one.kind in ("number", "integer") and one not in unknowns()]
    others = [one for one in every if one.kind not in ("number", "integer")]
    return "\n".join(
        [
            MARK,
            "## Unknowns of a calibration\n",
            "Each has its prior in [the model](model.md).\n",
            table(
                ("name", "unit", "range", "meaning"),
                [(f"`{one.name}`", one.unit, bounds(one), one.long_name) for one in unknowns()],
            ),
            "## Numbers\n",
            "Arguments, columns of files, keys of `course.toml` and results. *Of* names the class, function or file in"
            "\nwhich a name means something of its own.\n",
            table(
                ("name", "of", "unit", "range", "meaning"),
                [(f"`{one.name}`", one.of, one.unit, bounds(one), meaning(one)) for one in numbers],
            ),
            "## Usual values\n",
            "What the numbers of a file usually are: common practice, no source, and wide. One outside is read as it"
            "\nstands and is told as [worth a look](how-to/course-folder.md#worth-a-look), since a wrong unit shows so."
            "\nA mean is that of a year of rows or more.\n",
            table(
                ("name", "of", "unit", "usual"),
                [(f"`{one.name}`", one.of, one.unit, one.usual.words) for one in numbers if one.usual],
            ),
            "## Other names\n",
            table(
                ("name", "of", "kind", "meaning"),
                [(f"`{one.name}`", one.of, one.kind, meaning(one)) for one in others],
            ),
        ]
    )


def page() -> str:
    """Return the page as it should stand."""
    written, mark, _ = PAGE.read_text(encoding="utf-8").partition(MARK)
    assert mark, f"{PAGE.name} has lost its mark"
    return written + tables()


if __name__ == "__main__":
    PAGE.write_text(page(), encoding="utf-8")

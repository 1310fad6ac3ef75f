"""A page for the committee and the evidence behind it, as one HTML file or as PDF."""

from __future__ import annotations

import base64
import datetime as dt
import io
import json
import re
from collections import Counter
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import TYPE_CHECKING, Any

import numpy as np

from matledger import plots
from matledger._arrays import Floats
from matledger.atomic import check_file, fresh_file, write_whole, wrong_ending
from matledger.calibration.names import is_shared
from matledger.calibration.words import fit_words
from matledger.cautions import CAUTIONS, CITED, FIRST
from matledger.chances import LEAST_DRAWS, chance, chance_if_all, few_draws, of_courses
from matledger.days import day_and_month
from matledger.errors import InputError, Problem
from matledger.findings import of_class, refuse, told_once
from matledger.frames import Table
from matledger.money import REGRET_ASKS
from matledger.recovery import TO_COVER, days_in_words, days_within
from matledger.units import System, convert, same_precision, show, shown_units

if TYPE_CHECKING:
    from collections.abc import Sequence

    from matplotlib.axes import Axes

    from matledger.calibration import Calibration
    from matledger.comparison import Comparison
    from matledger.play import Play
    from matledger.practice import Work

__all__ = ["report"]

METHOD = (
    "The ground is a stack of parcels that move with the sand: grass lays litter down in proportion to its clippings,"
    " litter decays in two pools at a rate set by temperature, coring takes out its share of every parcel that the"
    " tines reach, sand fills the holes and then buries the surface. What is not known was fitted to this course's soil"
    " tests; the programmes were then run forward on draws of the fit and on whole weather years of the record. Every"
    " gram is accounted for.",
    "Days to recover follow degree days: holes close from their rim, sand clears from the leaves. The form and its"
    " defaults are this library's own, set by common practice (about four weeks for a hole of {bore}) and one trial;"
    " readings of cover from the course replace them.",
    "Hours come from working width, speed, passes and turning; rates that the course did not state are our own rounded"
    " figures, without a source. Prices are the course's.",
)
READ = (
    "How to read it: OM is organic matter, the median of all draws; nine of ten draws lie between 5 % and 95 %."
    " P(target) is the chance that the target holds. Disrupted days have less than 99 % green cover. What is cored or"
    " cut out counts ground once, its plain sum twice where holes overlap, as the trade does; solid tines take nothing"
    " out and are in neither. The surface is measured from where it stands on {start}: one that sinks (below 0) gave"
    " more cores than it got sand."
)
SAND = (
    "Sand is dry sand, packed where it is a depth. Suppliers sell it moist, by weight: what is bought weighs"
    " more by its water, about 5 % of the dry mass (common practice, no source), and by what is wasted; loads and costs"
    " count moist sand."
)
CONTRASTS = (
    "Contrasts set every two programmes against each other on the same draws, weather and growth, the lower first: how"
    " much less organic matter it leaves than the other, the figures between which nine of ten draws lie, and P(lower),"
    " the share of the draws in which it is the lower (half of those that tie). They are sharper than the programmes'"
    " own intervals, which share what is not known; below 0.99 read them as open."
)
WEEKS = (
    "A week's figures are those of work on its first day; the programme's own days, within a week, stand in the first"
    " table. Rounds on closed days are not played. Rounds during recovery are those due after them, up to 99 % cover"
    " (median): of these {lost:.0%} are taken to be lost, and the rest to be played at {off:.0%} off. The rank counts"
    " both kinds alike."
)
COSTS = (
    "Costs and days below 99 % cover lie nine times in ten between 5 % and 95 %. What differs from draw to draw:"
    " {differs}. Prices, hours and rounds played are taken as given."
)
DIFFERS = ("how the turf heals", "the weather of each year", "the sand that the plan takes")
TOO_LITTLE = (
    "whether organic matter exceeds {limit:g} %, above which doing too little was said to cost {cost:,.0f} {currency}"
)
REGRET = (
    "Regret is what a programme costs beyond the one that would have been cheapest had it been known how the ground and"
    f" the weather turn out. P(best) is how often that is the programme itself. {REGRET_ASKS}"
)
INTERVALS = (
    "Intervals come from {source}, {draws} draws in all; forecasts take {used} of them. The method of the fit is"
    " {method}."
)
DRAWN = "Green {green} is drawn, the first of {greens} with tests of a depth, to show how the model follows them."
LONGEST_CELL = 40


def report(
    comparison: Comparison, path: str | Path, *, units: System | None = None, present: str | None = None
) -> Path:
    """Write a page for the committee and the evidence behind it, as one self-contained HTML file or as PDF.

    Parameters
    ----------
    comparison
        The forecasts.
    path
        File to write, ending in ``.html`` or ``.pdf``; it is written whole or not at all.
    units
        ``"metric"`` or ``"us"``; those of the course by default.
    present
        Name of the present programme, which the first page sets beside the recommended one; the first by default.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        For another ending, a present programme that is not among those compared, and fewer than 20 draws.
    OSError
        If the file cannot be written, told before the work; an older one is then still whole.

    Examples
    --------
    >>> import matledger as mat, tempfile
    >>> calibration = mat.calibrate(mat.demo_course(), draws=50)
    >>> comparison = mat.compare(calibration, years=1, weather_sequences=2)
    >>> mat.report(comparison, tempfile.mkdtemp() + "/plan.html").name
    'plan.html'
    """
    from matledger.comparison import Comparison

    refuse(of_class(Comparison, "a comparison, as matledger.compare gives it", comparison=comparison))
    target = Path(path)
    problems = wrong_ending(path, ".html", ".pdf")
    if present is not None and present not in comparison.names:
        problems.append(Problem("present", repr(present), f"one of {', '.join(comparison.names)}"))
    draws = comparison.om_percent.shape[-1]
    if draws < LEAST_DRAWS:
        problems.append(Problem("comparison", f"{draws} draws", f"at least {LEAST_DRAWS}, to weigh programmes by"))
    if problems:
        raise InputError(problems)
    check_file(target)
    import matplotlib as mpl

    with mpl.rc_context({"text.parse_math": False}):  # a name may hold a dollar sign
        content = _content(
            comparison, units or comparison.calibration.course.units, comparison.names.index(present) if present else 0
        )
    if target.suffix.lower() == ".html":
        write_whole(target, _html(content))
    else:
        with fresh_file(target) as draft:
            draft.write_bytes(_pdf(content))
    return target


def side_by_side(comparison: Comparison, present: int, units: System = "metric") -> Table:
    """The recommended programme, or the nearest, beside the present one: chance, cost, days, and how greens rise."""
    other = comparison.advised
    shown = [present] if other in (None, present) else [present, int(other or 0)]
    columns: dict[str, list[Any]] = {"measure": [], **{_role(comparison, p, present): [] for p in shown}}

    def row(name: str, values: list[str]) -> None:
        for column, value in zip(columns.values(), [name, *values], strict=True):
            column.append(value)

    row("programme", [comparison.names[p] for p in shown])

    def spread(name: str, central: Floats, by_draw: Floats, spec: str, unit: str = "") -> None:
        def told(p: int) -> str:
            points = (central[p], *np.quantile(by_draw[p], [0.05, 0.95]))
            middle, low, high = (format(figure, spec) for figure in points)
            return f"{middle}{unit} ({low} to {high})"

        row(name, [told(p) for p in shown])

    om = comparison._om_at_the_end
    if comparison.probability_all is not None:
        draws = comparison.om_percent.shape[-1]
        held = [float(comparison.probability_all[p, -1]) for p in shown]
        row("chance that every green holds", [chance(share, draws, percent=False) for share in held])
    spread(f"organic matter on {comparison.dates[-1]}", np.median(om, axis=-1), om, ".1f", " %")
    money = comparison.budget
    if money is not None:
        spread("cost a year", money.a_year, money.a_year_by_draw, ",.0f", f" {money.currency}")
        if money.play_a_year.any():
            row("of it play lost or at a discount", [f"{money.play_a_year[p]:,.0f} {money.currency}" for p in shown])
        row("closed days a year", [f"{money.closed_days_a_year[p]:.1f}" for p in shown])
    spread("days a year below 99 % cover", comparison.disrupted_days, comparison.disrupted_days_by_draw, ".0f")
    raised = comparison.raised_mm
    row(f"surface since {comparison.dates[0]}", [_risen(float(raised[p]), units) for p in shown])
    return Table("at a glance; nine times in ten between the figures in brackets", columns)


def _risen(by_mm: float, units: System) -> str:
    metric, unit = shown_units("mm", units)
    by = format(convert(abs(by_mm), metric, unit), same_precision(".0f", metric, unit))
    return f"{by} {unit} {'higher' if by_mm > 0 else 'lower'}" if float(by) else "as high as before"


def _role(comparison: Comparison, programme: int, present: int) -> str:
    best = comparison.recommended
    if programme == present:
        return "present programme, recommended" if best == present else "present programme"
    return "recommended" if best is not None else "nearest to the target"


def _content(comparison: Comparison, units: System, present: int) -> dict[str, Any]:
    calibration = comparison.calibration
    course, wish = calibration.course, comparison.target
    window = comparison.sample_name(comparison.first_sample, units)
    tested = list(dict.fromkeys(test.green for test in course.soil_tests if test.window is not None))
    question = (
        f"What does each programme leave in the ground by {comparison.dates[-1]}?"
        if wish is None
        else f"Under which programme is organic matter in {window} at or below {wish.om_percent:g} % on every green on"
        f" {comparison.dates[-1]}, with a probability of at least {wish.probability:g}? That one day is asked for, not"
        " those before it. The limit is this course's own choice: no range is accepted everywhere."
    )
    evidence: list[tuple[str, list[tuple[str, Any]]]] = [
        (
            "Programmes side by side",
            [
                ("table", comparison.summary(units).turned()),
                ("text", READ.format(start=comparison.dates[0])),
                ("text", SAND),
                *([("table", comparison.contrasts()), ("text", CONTRASTS)] if len(comparison.names) > 1 else []),
            ],
        ),
    ]
    if comparison.budget is not None:
        work = comparison.budget.work().to(units)
        picture = (
            plots.costs(comparison),
            "Cost a year of each programme against days a year below 99 % cover, with 90 % intervals; the table above"
            " holds both.",
        )
        parts: list[tuple[str, Any]] = [("table", comparison.budget.table().turned()), ("figure", picture)]
        parts.append(("text", COSTS.format(differs=_differing(comparison))))
        if comparison.losses() is not None:
            parts += [("table", comparison.regret().turned()), ("text", REGRET)]
        evidence.append(("What it costs", [*parts, ("table", work)]))
    chosen = comparison.advised
    drawn: list[tuple[str, Any]] = []
    if tested:
        picture = (
            plots.over_time(calibration, tested[0], units=units),
            f"Soil tests of green {tested[0]} and the model over the record.",
        )
        drawn.append(("figure", picture))
    if len(tested) > 1:
        drawn.append(("text", DRAWN.format(green=tested[0], greens=len(tested))))
    evidence += [
        (
            "When to open the surface, and how it heals",
            _openings(comparison, present if chosen is None else chosen, units),
        ),
        ("Green by green", [("table", comparison.by_green(units))]),
        (
            "Where the organic matter goes",
            [
                *(
                    (
                        "figure",
                        (
                            plots.ledger(comparison, name, units=units),
                            f"Account of organic matter under {name}: start, grown, decayed, cored out, mown out, below"
                            " the column, end; the sentences below say the same.",
                        ),
                    )
                    for name in comparison.names
                ),
                *(("text", f"{note[0].upper()}{note[1:]}.") for note in comparison.ledger(units).notes),
                ("list", list(comparison.ledger_in_words(units))),
            ],
        ),
        (
            "What the soil tests taught",
            [
                *drawn,
                ("table", taught(calibration, units)),
                ("text", "Each green's own figures: the command matledger fit prints them."),
            ],
        ),
        ("Method and assumptions", [("text", paragraph) for paragraph in _method(comparison, units)]),
        (
            "How sure this is",
            [("list", [*_odd_figures(comparison), *comparison._own_notes(units), *calibration.notes_in_words(units)])],
        ),
        (
            "Cautions",
            [
                ("strong", FIRST),
                ("list", [f"{c.hazard}: {c.advice} ({c.standard})" for c in CAUTIONS]),
                ("text", CITED),
            ],
        ),
    ]
    return {
        "title": f"{course.name}: which programme of coring and sanding?",
        "note": ("The data are invented. " if course.invented else "") + course.note,
        "question": question,
        "answer": comparison.verdict(units),
        "chance": _chance(comparison),
        "doubts": [*_doubtful(comparison), *([comparison.close_contest] if comparison.close_contest else [])],
        "glance": side_by_side(comparison, present, units),
        "picture": (
            plots.programmes(comparison, units=units),
            "Organic matter at the end of each year under each programme, median and 90 % interval, mean of the greens"
            " by area; the table of programmes holds the last year's figures.",
        ),
        "first": FIRST,
        "paper": "us-letter" if units == "us" else "a4",
        "evidence": evidence,
    }


def _odd_figures(comparison: Comparison) -> list[str]:
    return [f"worth a look: {told}" for told in told_once(comparison.calibration.course.doubts)]


def _doubtful(comparison: Comparison) -> list[str]:
    """What of the records speaks against the page, for its first page; the details stand under "How sure this is"."""
    calibration, said = comparison.calibration, list[str]()
    doubts = calibration.course.doubts
    if doubts:
        few = len(doubts) == 1
        said.append(
            f"Before you rely on this page: {'one figure' if few else f'{len(doubts)} figures'} of the records"
            f" {'is' if few else 'are'} far from what is usual and may be in a wrong unit, such as {doubts[0].found} in"
            f" {doubts[0].file}, {doubts[0].where}."
        )
    if calibration.conflicts:
        said.append("The soil tests lie far from all that was believed beforehand: see \u201cHow sure this is\u201d.")
    if not calibration.converged:
        said.append("The fit to the soil tests did not settle: do not use this page.")
    strange = [*calibration._far_off(coded=False), *calibration._at_odds(), *calibration._odd_years()]
    if strange:
        said.append(
            f"{'One record does' if len(strange) == 1 else f'{len(strange)} records do'} not agree with the others: see"
            f" \u201cHow sure this is\u201d. {'It' if len(strange) == 1 else 'They'} should be looked at first."
        )
    return said


def _differing(comparison: Comparison) -> str:
    """What differs from draw to draw in the costs; a renovation only if one was priced."""
    prices = comparison.prices
    if prices is None or prices.renovation is None:
        return f"{', '.join(DIFFERS[:-1])} and {DIFFERS[-1]}"
    limit = TOO_LITTLE.format(limit=prices.too_much_om_percent, cost=prices.renovation, currency=prices.currency)
    return f"{', '.join(DIFFERS)}, and {limit}"


def _method(comparison: Comparison, units: System) -> list[str]:
    calibration, used = comparison.calibration, comparison.om_percent.shape[-1]
    first, *rest = (paragraph.format(bore=show(12.7, "mm", units)) for paragraph in METHOD)
    source, draws = fit_words(calibration).draws, len(calibration.coordinates)
    spread = INTERVALS.format(source=source, draws=draws, used=used, method=calibration.method)
    return [first, spread, *rest]


def _openings(comparison: Comparison, programme: int, units: System) -> list[tuple[str, Any]]:
    """Healing after each opening of a programme, and the weeks that rank best for it.

    Of one that opens nothing, those of the surest that does.
    """
    if not comparison.openings(programme):
        said = f"{comparison.names[programme]} never opens the surface, so there is nothing to heal."
        other = _surest_opening(comparison)
        if other is None:
            return [("text", f"{said} Nor does any other programme, so no week is ranked.")]
        said += f" What follows is of {comparison.names[other]}, the surest of those that do."
        return [("text", said), *_openings(comparison, other, units)]
    name, openings = comparison.names[programme], comparison.openings(programme)
    healing = comparison.recovery
    days = [healing.days(work, day) for day, work in openings]
    columns: dict[str, Sequence[Any]] = {
        "day": [day_and_month(day) for day, _ in openings],
        "work": [work.in_words(units) for _, work in openings],
    }
    columns |= {
        head: [days_in_words(days_within(found, share)) for found in days]
        for head, share in zip(TO_COVER, (0.5, 0.9), strict=True)
    }
    own = Table(f"{name}: openings of one year and their healing", columns, dict.fromkeys(TO_COVER, ""))
    parts: list[tuple[str, Any]] = [
        ("table", own),
        (
            "figure",
            (
                plots.back_in_play(comparison, name),
                f"Green cover by day after each opening under {name}; the table above says when it is back to 99 %.",
            ),
        ),
    ]
    play = comparison.play
    if play is None:
        return [*parts, ("text", "Weeks are not ranked here: the course has no play calendar ([play] in course.toml).")]
    for kind in dict.fromkeys(work for _, work in openings):
        own_days = [day for day, work in openings if work == kind]
        parts += _weeks(comparison, programme, kind, own_days, play, units)
    return [*parts, ("text", WEEKS.format(lost=play.lost_share, off=play.discount_share))]


def _surest_opening(comparison: Comparison) -> int | None:
    """The programme that opens the surface and holds the target most surely, at the least cost if several do."""
    opening = [p for p in range(len(comparison.names)) if comparison.openings(p)]
    chances = comparison.probability_all
    held = np.zeros(len(comparison.names)) if chances is None else chances[:, -1]
    return min(opening, key=lambda p: (-held[p], comparison._spent[p]), default=None)


def _weeks(
    comparison: Comparison, programme: int, work: Work, own: Sequence[dt.date], play: Play, units: System
) -> list[tuple[str, Any]]:
    from matledger.dates import rank_dates

    no_work = comparison.programmes[programme].no_work
    course, year = comparison.calibration.course, own[0].year
    try:
        found = rank_dates(
            course, work, recovery=comparison.recovery, play=play, year=year, no_work=no_work, units=units
        )
    except InputError as error:
        return [("text", f"{work.in_words(units)}: {error}")]
    weeks = list(found.ranked.columns["week from"])
    mine = {max((week for week in weeks if week <= day), default=None) for day in own}
    kept = [i for i, week in enumerate(weeks) if found.ranked.columns["none beats"][i] or week in mine]
    columns = {"rank": [i + 1 for i in kept]} | {
        name: [values[i] for i in kept] for name, values in found.ranked.columns.items()
    }
    caption = f"{found.ranked.caption}; only weeks that none beats in rounds and in days, and the programme's own"
    columns |= {name: [days_in_words(days) for days in columns[name]] for name in TO_COVER}
    shown = Table(caption, columns, {"rank": "d", **found.ranked.formats, **dict.fromkeys(TO_COVER, "")})
    out = dict(zip(*found.excluded.columns.values(), strict=True))
    said = []
    for day in own:
        week = max(week for week in [*weeks, *out] if week <= day)
        where = (
            f"ranks {weeks.index(week) + 1} of {len(weeks)} open weeks"
            if week in weeks
            else f"is in a week that speaks against it: {out[week]}"
        )
        said.append(f"{day_and_month(day)}, the programme's own day, {where}.")
    why = Counter(reason for text in out.values() for reason in _kinds(text))
    if why:
        said.append(
            f"{len(out)} of 52 weeks {'is' if len(out) == 1 else 'are'} ruled out: "
            + ", ".join(f"{reason} ({count})" for reason, count in why.most_common())
            + "."
            + " A week may have more than one reason." * (why.total() > len(out))
        )
    return [("table", shown), ("list", said)]


def _kinds(reasons: str) -> list[str]:
    """Return reasons without their figures and dates, so that they can be counted."""
    return [reason.split(" on ")[0].split("% of ")[-1] for reason in reasons.split("; ")]


def taught(calibration: Calibration, units: System) -> Table:
    """What the tests taught of all greens together, for a reader: what it is, what was believed and what is now."""
    found = calibration.taught(units).columns
    keys = ("description", "unit", "prior_median", "5 %", "median", "95 %", "lesson")
    rows = [rest for name, *rest in zip(*(found[key] for key in ("unknown", *keys)), strict=True) if is_shared(name)]
    columns = ("what it is", "unit", "before", "5 %", "median", "95 %", "lesson")
    table = dict(zip(columns, ([*column] for column in zip(*rows, strict=True)), strict=True))
    caption = f"{calibration.course.name}: what the soil tests taught"
    return Table(caption, table, dict.fromkeys(("before", "5 %", "median", "95 %"), ".3g"))


def _chance(comparison: Comparison) -> str:
    best, draws = comparison.recommended, comparison.om_percent.shape[-1]
    few = few_draws(draws)
    said = [f"{few[0].upper()}{few[1:]}."] if few else []
    if best is None or comparison.probability_all is None:
        return " ".join(said)
    share = float(comparison.probability_all[best, -1])
    certain = round(100 * (share if share < 1 else chance_if_all(draws))) == 100
    words = "nearly certain" if certain else f"{of_courses(share, draws)} would still have a green above the limit"
    return " ".join([f"In words: {words}.", *said])


def _png(axes: Axes) -> bytes:
    """Draw the axes' figure and close it."""
    import matplotlib.pyplot as plt

    figure = axes.get_figure(root=True)
    if figure is None:
        raise RuntimeError("the axes belong to no figure")
    held = io.BytesIO()
    figure.savefig(held, format="png", dpi=130)
    plt.close(figure)
    return held.getvalue()


def _html(content: dict[str, Any]) -> str:
    from jinja2 import Environment, PackageLoader, StrictUndefined
    from markupsafe import Markup, escape

    environment = Environment(
        loader=PackageLoader("matledger"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )

    def days_whole(text: str) -> Markup:
        """Keep a day on one line."""
        return Markup(re.sub(r"\d{4}-\d\d-\d\d", r'<span class="d">\g<0></span>', str(escape(text))))

    environment.filters["days_whole"] = days_whole

    def drawn(picture: tuple[Axes, str]) -> str:
        return "data:image/png;base64," + base64.b64encode(_png(picture[0])).decode("ascii")

    return environment.get_template("report.html").render(content, drawn=drawn, classes=_classes)


def _classes(table: Table) -> list[str]:
    """How each column is set: numbers to the right, texts to the left, days in one piece."""

    def one(name: str, values: Sequence[Any]) -> str:
        if name in table.formats:
            return "n"
        return "t d" if values and all(isinstance(value, dt.date) for value in values) else "t"

    return [one(name, values) for name, values in table.columns.items()]


def _widths(table: Table) -> list[int]:
    """Characters that each column wants: its longest cell, up to a limit, and the longest word of its header."""
    cells = list(zip(*table.cells(), strict=True)) or [()] * len(table.columns)
    return [
        max([*(min(len(cell), LONGEST_CELL) for cell in column), *map(len, name.split())])
        for name, column in zip(table.columns, cells, strict=True)
    ]


def _pdf(content: dict[str, Any]) -> bytes:
    """Typeset the same content; data reach the template as JSON, so that no text is read as markup."""
    import typst

    pictures: dict[str, bytes] = {}

    def plain(value: Any) -> Any:
        if isinstance(value, Table):
            return {
                "caption": value.caption,
                "columns": list(value.columns),
                "rows": value.cells(),
                "numeric": [name in value.formats for name in value.columns],
                "widths": _widths(value),
            }
        if isinstance(value, dict):
            return {key: plain(item) for key, item in value.items()}
        if isinstance(value, list | tuple):
            if len(value) == 2 and hasattr(value[0], "get_figure"):
                name = f"figure-{len(pictures)}.png"
                pictures[name] = _png(value[0])
                return {"file": name, "alt": value[1]}
            return [plain(item) for item in value]
        return value

    data = json.dumps(plain(content), default=str)
    with TemporaryDirectory() as folder:
        room = Path(folder)
        template = files("matledger").joinpath("templates/report.typ").read_text(encoding="utf-8")
        room.joinpath("report.typ").write_text(template, encoding="utf-8")
        room.joinpath("content.json").write_text(data, encoding="utf-8")
        for name, drawn in pictures.items():
            room.joinpath(name).write_bytes(drawn)
        # ua-1 wants tagged headings, and a description of every figure.
        return typst.compile(room / "report.typ", format="pdf", pdf_standards=["ua-1"])

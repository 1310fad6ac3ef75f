"""The budget as a spreadsheet with live totals, and as CSV."""

from __future__ import annotations

from io import BytesIO
from pathlib import Path

from matledger.atomic import fresh_file, output, write_whole
from matledger.frames import csv_text, plain
from matledger.money import LINES, Budget, intervals

__all__ = ["write_budget"]


def write_budget(budget: Budget, path: str | Path) -> Path:
    """Write a budget as ``.xlsx`` with live totals, or as ``.csv``; the file is written whole or not at all.

    Parameters
    ----------
    budget
        The budget, such as ``comparison.budget``.
    path
        File to write. The spreadsheet has one sheet of lines by year for each programme, and a sheet that adds them up
        by formulas, with the discount of each year in a cell of its own; beside them stand the spread over the draws
        and the days below full cover, which do not follow what is changed in it. Text that could be read as a formula
        is escaped in both.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    InputError
        For another ending.
    OSError
        If the file cannot be written; an older one is then still whole.
    """
    target = output(path, ".xlsx", ".csv")
    if target.suffix.lower() == ".csv":
        write_whole(target, csv_text(budget.lines()))
        return target
    with fresh_file(target) as draft:
        draft.write_bytes(_spreadsheet(budget))
    return target


def _spreadsheet(budget: Budget) -> bytes:
    from xlsxwriter import Workbook  # type: ignore[import-untyped]
    from xlsxwriter.utility import xl_rowcol_to_cell as cell  # type: ignore[import-untyped]

    held = BytesIO()
    book = Workbook(held, {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False})
    bold, money, factor = (
        book.add_format(form) for form in ({"bold": True}, {"num_format": "#,##0.00"}, {"num_format": "0.0000"})
    )
    total = book.add_worksheet("Total")
    years = len(budget.years)
    total.set_column(0, 0, 44)
    value = f"present value, {budget.currency}"
    _, *spread = intervals(value, budget.total, budget.total_by_draw).items()
    spread += intervals("disrupted days a year", budget.disrupted_days_a_year, budget.disrupted_days_by_draw).items()
    total.set_column(1, years + 2 + len(spread), 14)
    heads = ["programme", *budget.years, f"total, {budget.currency}", value, *(name for name, _ in spread)]
    total.write_row(0, 0, heads, bold)
    total.write_string(1, 0, "what money of the year counts for now")
    total.write_row(1, 1, budget.discount.tolist(), factor)
    discount = f"{cell(1, 1, True, True)}:{cell(1, years, True, True)}"
    for p, name in enumerate(budget.programmes):
        # A sheet's name may hold 31 characters and none of []:*?/\.
        title = f"{p + 1} " + "".join(c for c in name if c not in "[]:*?/\\'")[:26].strip()
        sheet = book.add_worksheet(title)
        sheet.set_column(0, 0, 24)
        sheet.set_column(1, years + 1, 14)
        sheet.write_string(0, 0, plain(name), bold)
        sheet.write_row(1, 0, [f"{budget.currency}", *budget.years, "total"], bold)
        for index, line in enumerate(LINES):
            row = index + 2
            sheet.write_string(row, 0, line)
            sheet.write_row(row, 1, budget.amounts[p, :, index].tolist(), money)
            amount = float(budget.amounts[p, :, index].sum())
            sheet.write_formula(row, years + 1, f"=SUM({cell(row, 1)}:{cell(row, years)})", money, amount)
        last = len(LINES) + 2
        sheet.write_string(last, 0, "total", bold)
        for column in range(1, years + 2):
            amounts = budget.amounts[p, column - 1] if column <= years else budget.amounts[p]
            formula = f"=SUM({cell(2, column)}:{cell(last - 1, column)})"
            sheet.write_formula(last, column, formula, money, float(amounts.sum()))
        row = p + 2
        total.write_string(row, 0, plain(name))
        for column in range(1, years + 1):
            amount = float(budget.amounts[p, column - 1].sum())
            total.write_formula(row, column, f"='{title}'!{cell(last, column)}", money, amount)
        span = f"{cell(row, 1)}:{cell(row, years)}"
        total.write_formula(row, years + 1, f"=SUM({span})", money, float(budget.amounts[p].sum()))
        total.write_formula(row, years + 2, f"=SUMPRODUCT({span},{discount})", money, float(budget.total[p]))
        total.write_row(row, years + 3, [points[p] for _, points in spread], money)
    notes = (*budget.notes, "columns of 5 % and 95 %, and days, do not follow what is changed in this file")
    for index, note in enumerate(notes):
        total.write_string(len(budget.programmes) + 3 + index, 0, plain(note))
    book.close()
    return held.getvalue()

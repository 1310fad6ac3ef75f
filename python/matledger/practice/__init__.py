"""What is done to a green: coring, tining, vertical mowing, sand, and the programme that dates them."""

from matledger.practice.calendar import Calendar, Event, Moved, Skipped, Uncounted, YearSummary
from matledger.practice.programme import Programme, WorkDone, dated_work
from matledger.practice.spreading import passes_to_fill, spreader_swaths
from matledger.practice.work import Coring, SandInjection, SolidTining, Tine, Topdressing, VerticalMowing, Work

__all__ = [
    "Calendar",
    "Coring",
    "Event",
    "Moved",
    "Programme",
    "SandInjection",
    "Skipped",
    "SolidTining",
    "Tine",
    "Topdressing",
    "Uncounted",
    "VerticalMowing",
    "Work",
    "WorkDone",
    "YearSummary",
    "dated_work",
    "passes_to_fill",
    "spreader_swaths",
]

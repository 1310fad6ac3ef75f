"""What is done to a green: coring, tining, vertical mowing, sand, and the programme that dates them."""

from matledger.practice.calendar import Calendar, Event, Moved, Skipped, Uncounted, YearSummary
from matledger.practice.programme import Programme, WorkDone, dated_work
from matledger.practice.spreading import rounds_to_fill, spreader_passes
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
    "rounds_to_fill",
    "spreader_passes",
]

"""The door of the command line: it imports next to nothing, so that Ctrl-C has its answer from the first moment on."""

from __future__ import annotations

import _thread
import signal
import sys
import time

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Sequence

__all__ = ["BAD_INPUT", "NO_ANSWER", "NO_FILE", "NO_PROGRAMME", "OK", "STOPPED", "main"]

OK, NO_ANSWER, BAD_INPUT, NO_PROGRAMME, NO_FILE, STOPPED = 0, 1, 2, 3, 4, 130


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a command, and return its exit code; Ctrl-C ends it in one line."""
    told = sys.unraisablehook
    sys.unraisablehook = _once_more
    try:
        from matledger.commands import run

        return run(arguments)
    except KeyboardInterrupt as stop:
        print("stopped", *stop.args, sep=": ", file=sys.stderr)
        return STOPPED
    finally:
        sys.unraisablehook = told
        if arguments is None:  # the process is ours, and has nothing left to do but to end
            signal.signal(signal.SIGINT, signal.SIG_IGN)


def _once_more(unraisable: sys.UnraisableHookArgs) -> None:
    """Send Ctrl-C again where it fell into what cannot raise, as in a lock of an import, and would be passed over."""
    if issubclass(unraisable.exc_type, KeyboardInterrupt):
        _thread.start_new_thread(_interrupt_soon, ())
    else:
        sys.__unraisablehook__(unraisable)


def _interrupt_soon() -> None:
    time.sleep(0.01)  # sent from here at once it would fall into the hook, which cannot raise either
    _thread.interrupt_main()


if __name__ == "__main__":
    sys.exit(main())

"""Run every notebook from top to bottom; what it shows goes to ``_run/`` as ``.ipynb`` and ``.html``.

Fails with the cell and its traceback if any cell does.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import jupytext
import nbformat
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, CellTimeoutError
from nbconvert import HTMLExporter
from nbconvert.filters import strip_ansi

HERE = Path(__file__).parent
OUT = HERE / "_run"
CELL_TIMEOUT_S = 300


def run(source: Path) -> str | None:
    """Run one notebook; return what went wrong, if anything did."""
    notebook = jupytext.read(source, fmt="py:percent")
    client = NotebookClient(
        notebook, timeout=CELL_TIMEOUT_S, kernel_name="python3", resources={"metadata": {"path": str(HERE)}}
    )
    failure = None
    try:
        client.execute()
    except (CellExecutionError, CellTimeoutError) as error:
        # nbclient's message holds the cell's source and its traceback.
        failure = strip_ansi(str(error))
    OUT.mkdir(exist_ok=True)
    nbformat.write(notebook, OUT / f"{source.stem}.ipynb")
    page, _ = HTMLExporter().from_notebook_node(notebook, {"metadata": {"name": source.stem}})
    (OUT / f"{source.stem}.html").write_text(page, encoding="utf-8")
    return failure


def main() -> int:
    """Run the notebooks named on the command line, or all of them."""
    sources = [Path(name) for name in sys.argv[1:]] or sorted(set(HERE.glob("*.py")) - {Path(__file__)})
    if not sources:
        print("no notebook in notebooks/", file=sys.stderr)
        return 1
    failed = 0
    for source in sources:
        began = time.monotonic()
        failure = run(source)
        print(f"{source.name}: {'failed' if failure else 'ran'} in {time.monotonic() - began:.1f} s")
        if failure:
            failed += 1
            print(failure, file=sys.stderr)
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

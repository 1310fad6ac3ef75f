"""Follow the first-hour page to the letter with a built wheel, in a fresh folder and environment.

Run as ``python packaging/try_wheel.py WHEEL [PYTHON ...]``. Every command of ``docs/first-hour.md`` is run as it is
written there, every file is written as it is shown, and what a command prints has to be what stands below it.
"""

import doctest
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
PAGE = ROOT / "docs" / "first-hour.md"
STEP = re.compile(
    r"^```(?:sh\n(?P<commands>.*?)"
    r"|text\n(?P<said>.*?)"
    r"|\{code-block\} \w+\n:caption: (?P<file>\S+)\n\n(?P<content>.*?))^```$",
    re.M | re.S,
)
MARK = "@@ step "


def script_of(page: str) -> tuple[str, list[tuple[str, str | None]]]:
    """Return a page's commands and files as one script, and each step's commands with the text that should follow."""
    lines, steps = ["exec 2>&1"], []
    for found in STEP.finditer(page):
        if found["file"]:
            lines.append(f"cat > {found['file']} <<'END OF FILE'\n{found['content']}END OF FILE")
        elif found["commands"]:
            lines.append(f"echo '{MARK}'\n{found['commands']}code=$?\necho \"{MARK}$code\"")
            steps.append((found["commands"], None))
        else:
            steps[-1] = (steps[-1][0], found["said"])
    return "\n".join(lines), steps


def follow(page: str, wheel: Path, python: str, folder: Path) -> list[str]:
    """Follow a page in an empty folder; return what went otherwise than it says."""
    bin_folder = folder / "bin"
    bin_folder.mkdir()
    (bin_folder / "python3").write_text(f'#!/bin/sh\nexec "{shutil.which(python)}" "$@"\n', encoding="utf-8")
    (bin_folder / "python3").chmod(0o755)
    pins = [line for line in (ROOT / "requirements" / "dev.txt").read_text(encoding="utf-8").split() if "==" in line]
    constraint = folder / "constraint.txt"
    version = wheel.name.split("-")[1]
    constraint.write_text("\n".join([*pins, f"matledger=={version}\n"]), encoding="utf-8")
    work = folder / "work"
    work.mkdir()
    kept = {k: v for k, v in os.environ.items() if k not in ("VIRTUAL_ENV", "PYTHONPATH", "PYTHONHOME")}
    environment = kept | {
        "PATH": f"{bin_folder}{os.pathsep}{os.environ['PATH']}",
        "PIP_CONSTRAINT": str(constraint),
        "PIP_REQUIRE_VIRTUALENV": "1",
        "PIP_FIND_LINKS": str(wheel.resolve().parent),
        "PIP_DISABLE_PIP_VERSION_CHECK": "1",
        "COLUMNS": "120",
    }
    script, steps = script_of(page)
    ran = subprocess.run(["bash", "-c", script], cwd=work, env=environment, capture_output=True, text=True)
    said = ran.stdout.split(MARK + "\n")[1:]
    wrong = []
    check = doctest.OutputChecker()
    for (commands, expected), output in zip(steps, said, strict=True):
        text, _, code = output.rpartition(MARK)
        if expected is None and code.split()[0] != "0":
            wrong.append(f"{commands}ended with {code.split()[0]}:\n{text}")
        elif expected is not None and not check.check_output(
            expected, text, doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE
        ):
            wrong.append(f"{commands}should say\n{expected}but says\n{text}")
    return wrong


def main(wheel: Path, pythons: list[str]) -> int:
    """Follow the page with each Python."""
    failed = 0
    for python in pythons:
        with tempfile.TemporaryDirectory() as folder:
            wrong = follow(PAGE.read_text(encoding="utf-8"), wheel, python, Path(folder))
        print(f"{python}: " + ("as written" if not wrong else "\n".join(wrong)))
        failed += bool(wrong)
    return min(failed, 1)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2:] or [sys.executable]))

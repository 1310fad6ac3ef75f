"""Try every mutant of a floor from one build: ``python tests/mutants.py 'src/practice/*.rs' practice programme sand``.

cargo-mutants says what could be changed; all its changes are woven into one copy of the crate, each behind a number
that a test process finds in its environment. A mutant is *caught* when a test fails, panics, or takes too long. The
last arguments name the test targets.
"""

from __future__ import annotations

import argparse
import json
import os
import re
import resource
import shutil
import subprocess
import sys
import time
from collections import defaultdict
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
WORK = ROOT / "target" / "mutants"
TREE = WORK / "tree"
QUIET = "#![allow(warnings, arithmetic_overflow, unconditional_panic)]\n"
NUMBER = """
pub(crate) static MUTANT: std::sync::LazyLock<usize> =
    std::sync::LazyLock::new(|| std::env::var("MUTANT").ok().and_then(|n| n.parse().ok()).unwrap_or(usize::MAX));
"""
# Many copies of each function take long to make quick.
PROFILE = """
[profile.release.package.matledger]
opt-level = 1
"""
MOST_BYTES = 6_000_000_000


def listed(files: list[str], shard: str) -> list[dict[str, Any]]:
    """Return the mutants of cargo-mutants that lie in a function; a shard is every n-th of them."""
    globs = [part for file in files for part in ("-f", file)]
    command = ["cargo", "mutants", "--list", "--json", *globs, "--sharding", "round-robin", "--shard", shard]
    found = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)
    return [mutant for mutant in found if mutant["function"]]


def cut(text: str, span: dict[str, Any]) -> tuple[int, int]:
    """Return where a span begins and ends in a text."""
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return tuple(starts[span[end]["line"] - 1] + span[end]["column"] - 1 for end in ("start", "end"))  # type: ignore[return-value]


def body(text: str, start: int, end: int) -> tuple[int, int]:
    """Return where a function's block begins and ends, braces included."""
    at = start
    while text[at:end].lstrip().startswith(("//", "#[")):
        at = text.index("\n", at + len(text[at:end]) - len(text[at:end].lstrip())) + 1
    return text.index("{", at), end


def woven(text: str, mutants: list[tuple[int, dict[str, Any]]]) -> tuple[str, list[tuple[int, int, list[int]]]]:
    """Return a file with its mutants behind their numbers, and of each range of lines the mutants that it holds."""
    functions = defaultdict(list)
    for number, mutant in mutants:
        functions[body(text, *cut(text, mutant["function"]["span"]))].append((number, mutant))
    out, at, lines = "", 0, []
    for (begin, end), own in sorted(functions.items()):
        if begin < at:
            continue  # a function within one that is woven already
        out += text[at:begin]
        first = out.count("\n") + 1
        numbers = " | ".join(str(number) for number, _ in own)
        out += f"{{ match *crate::MUTANT {{ number if !matches!(number, {numbers}) => {text[begin:end]},\n"
        for number, mutant in own:
            start, stop = cut(text, mutant["span"])
            top = out.count("\n") + 1
            out += f"{number} => {text[begin:start]}{mutant['replacement']}{text[stop:end]},\n"
            lines.append((top, out.count("\n"), [number]))
        out += "_ => unreachable!() } }"
        lines.append((first, out.count("\n") + 1, [number for number, _ in own]))
        at = end
    return out + text[at:], lines


def weave(mutants: dict[int, dict[str, Any]]) -> dict[str, list[tuple[int, int, list[int]]]]:
    """Write every file that has mutants."""
    by_file = defaultdict(list)
    for number, mutant in mutants.items():
        by_file[mutant["file"]].append((number, mutant))
    places = {}
    for file, own in by_file.items():
        text, places[file] = woven((ROOT / file).read_text(encoding="utf-8"), own)
        (TREE / file).write_text(text.replace("#[inline(always)]", ""), encoding="utf-8")
    return places


def cargo(*command: str) -> tuple[int, list[dict[str, Any]]]:
    """Run cargo on the copy; return its exit code and what it says."""
    environment = os.environ | {"CARGO_TARGET_DIR": str(WORK / "target")}
    ran = subprocess.run(
        ["cargo", *command, "--message-format", "json", "--quiet"],
        cwd=TREE,
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
        check=False,
    )
    return ran.returncode, [json.loads(line) for line in ran.stdout.splitlines() if line.startswith("{")]


def refused(said: list[dict[str, Any]], places: dict[str, list[tuple[int, int, list[int]]]]) -> set[int]:
    """Return the mutants that the compiler refused: the narrowest range of lines that holds each error."""
    found: set[int] = set()
    for message in (m["message"] for m in said if m["reason"] == "compiler-message"):
        if message["level"] != "error":
            continue
        for span in (span for span in message["spans"] if span["is_primary"]):
            line = span["line_start"]
            around = [(b - a, own) for a, b, own in places.get(span["file_name"], []) if a <= line <= b]
            if around:
                found.update(min(around)[1])
    return found


def without_higher_floors(library: str, targets: list[str]) -> str:
    """Return the library's root with the modules that the tests see, and those that these see: it compiles sooner."""
    known = re.findall(r"^pub mod (\w+);", library, re.M)
    todo = "".join((ROOT / "tests" / f"{name}.rs").read_text(encoding="utf-8") for name in targets)
    seen = {"error"}
    while found := {name for name in known if re.search(rf"(matledger|crate)::(\{{.*)?{name}\b", todo)} - seen:
        seen |= found
        files = (file for name in found for file in (ROOT / "src" / name).glob("*.rs"))
        todo = "".join(file.read_text(encoding="utf-8") for file in files)
    return "".join(
        line
        for line in library.splitlines(keepends=True)
        if not line.startswith("pub mod ") or line[len("pub mod ") :].rstrip(";\n") in seen
    )


def build(mutants: dict[int, dict[str, Any]], targets: list[str]) -> tuple[str, set[int]]:
    """Build the tests with all mutants that compile; return the test program, and the mutants that do not."""
    shutil.rmtree(TREE, ignore_errors=True)
    kept = subprocess.run(["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True).stdout
    for file in kept.splitlines():
        (TREE / file).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(ROOT / file, TREE / file)
    manifest = (TREE / "Cargo.toml").read_text(encoding="utf-8").partition("[lints.rust]")[0]
    (TREE / "Cargo.toml").write_text(manifest + PROFILE, encoding="utf-8")
    library = TREE / "src" / "lib.rs"
    root = without_higher_floors(library.read_text(encoding="utf-8"), targets)
    library.write_text(QUIET + root + NUMBER, encoding="utf-8")
    out: set[int] = set()
    modules = "".join(f'#[path = "{name}.rs"]\nmod {name};\n' for name in targets)
    (TREE / "tests" / "woven.rs").write_text(modules, encoding="utf-8")
    while True:
        places = weave({number: mutant for number, mutant in mutants.items() if number not in out})
        code, said = cargo("test", "--release", "--no-run", "--test", "woven")
        if code == 0:
            break
        bad = refused(said, places)
        if not bad:
            raise SystemExit("\n".join(m["message"]["rendered"] for m in said if "message" in m))
        out |= bad
    (program,) = (m["executable"] for m in said if m.get("executable"))
    return program, out


def run(program: str, skip: list[str], number: int, most_s: float) -> bool:
    """Whether the tests of a program pass with a mutant in place."""
    environment = os.environ | {"MUTANT": str(number), "PROPTEST_MAX_SHRINK_ITERS": "0"}
    try:
        ran = subprocess.run(
            [program, "--quiet", *(part for test in skip for part in ("--skip", test))],
            cwd=TREE,
            env=environment,
            capture_output=True,
            timeout=most_s,
            check=False,
            preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES)),
        )
    except subprocess.TimeoutExpired:
        return False
    return ran.returncode == 0


def main() -> int:
    """Print every mutant that no test caught, and how many there were."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", help="files to change, as a pattern")
    parser.add_argument("targets", nargs="+", help="test targets")
    parser.add_argument("--skip", nargs="*", default=[], help="tests that are left out, such as slow ones")
    parser.add_argument("--shard", default="0/1", help="k/n: every n-th mutant, from the k-th on (default: all)")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of mutants, as printed")
    given = parser.parse_args()
    mutants = dict(enumerate(listed([given.files], given.shard)))
    program, out = build(mutants, given.targets)
    tried = [number for number in mutants if number not in out and number in (given.only or mutants)]
    started = time.perf_counter()
    assert run(program, given.skip, len(mutants), 3600), "the tests fail without a mutant"
    most_s = 20 + 5 * (time.perf_counter() - started)
    missed = []
    for number in tried:
        if run(program, given.skip, number, most_s):
            missed.append(number)
            print(f"{number}: {mutants[number]['name']}", flush=True)
    print(f"{len(mutants)} mutants, {len(out)} that do not compile, {len(tried)} tried, {len(missed)} not caught")
    return min(len(missed), 1)


if __name__ == "__main__":
    sys.exit(main())

"""Try every mutant of a floor from one build: ``python tests/mutants.py 'src/practice/*.rs' practice programme sand``.

cargo-mutants says what could be changed; all its changes are woven into one copy of the crate, each behind a number
that a test process finds in its environment. Each test is run alone once, to see which of the changed functions it
reaches. Then a mutant is tried by the tests that reach its function, quickest first, and is *caught* by the first that
fails, panics, or takes too long. The last arguments name the test targets; `lib` is the unit tests.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import os
import re
import resource
import subprocess
import sys
from collections import defaultdict
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, NamedTuple

ROOT = Path(__file__).parents[1]
WORK = ROOT / "target" / "mutants"
QUIET = "#![allow(warnings, arithmetic_overflow, unconditional_panic)]\n"
NUMBER = """
pub(crate) static MUTANT: std::sync::LazyLock<usize> =
    std::sync::LazyLock::new(|| std::env::var("MUTANT").ok().and_then(|n| n.parse().ok()).unwrap_or(usize::MAX));

#[inline(never)]
pub(crate) fn alone<R>(body: impl FnOnce() -> R) -> R {
    body()
}

/// Says which function runs unchanged, once; tests do not swallow what is written thus.
pub(crate) fn reached(function: usize) {
    use std::sync::atomic::{AtomicBool, Ordering::Relaxed};
    static BEFORE: [AtomicBool; MUTANTS] = [const { AtomicBool::new(false) }; MUTANTS];
    if !BEFORE[function].load(Relaxed) && !BEFORE[function].swap(true, Relaxed) {
        let _ = std::io::Write::write_all(&mut std::io::stderr(), format!("reached {function}\\n").as_bytes());
    }
}
"""
# Many copies of each function take long to make quick.
PROFILE = """
[profile.release.package.matledger]
opt-level = 1
"""
QUICK = {"CARGO_PROFILE_RELEASE_LTO": "off", "CARGO_PROFILE_RELEASE_CODEGEN_UNITS": "16"}
MOST_KB = 6_000_000


def listed(files: list[str], shard: str) -> list[dict[str, Any]]:
    """Return the mutants of cargo-mutants that lie in a function; a shard is every n-th of them."""
    globs = [part for file in files for part in ("-f", file)]
    command = ["cargo", "mutants", "--list", "--json", *globs, "--sharding", "round-robin", "--shard", shard]
    found = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)
    found = [mutant for mutant in found if mutant["function"]]
    first: dict[str, int] = {}
    for number, mutant in enumerate(found):
        place = mutant["file"] + json.dumps(mutant["function"]["span"])
        mutant["in"] = first.setdefault(place, number)  # a function goes by its first mutant
    return found


def cut(text: str, span: dict[str, Any]) -> tuple[int, int]:
    """Return where a span begins and ends in a text."""
    starts = [0]
    for line in text.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    return tuple(starts[span[end]["line"] - 1] + span[end]["column"] - 1 for end in ("start", "end"))


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
        # Each copy is a function to itself: the compiler takes long over large ones.
        alone = f"crate::alone(move || {own[0][1]['function']['return_type']}"
        numbers = " | ".join(str(number) for number, _ in own)
        out += f"{{ match *crate::MUTANT {{ mutant if !matches!(mutant, {numbers}) => "
        out += f"{{ crate::reached({own[0][1]['in']}); {alone} {text[begin:end]}) }},\n"
        for number, mutant in own:
            start, stop = cut(text, mutant["span"])
            top = out.count("\n") + 1
            out += f"{number} => {alone} {text[begin:start]}{mutant['replacement']}{text[stop:end]}),\n"
            lines.append((top, out.count("\n"), [number]))
        out += "_ => unreachable!() } }"
        lines.append((first, out.count("\n") + 1, [number for number, _ in own]))
        at = end
    return out + text[at:], lines


def weave(tree: Path, mutants: dict[int, dict[str, Any]]) -> dict[str, list[tuple[int, int, list[int]]]]:
    """Write every file that has mutants."""
    by_file = defaultdict(list)
    for number, mutant in mutants.items():
        by_file[mutant["file"]].append((number, mutant))
    places = {}
    for file, own in by_file.items():
        text, places[file] = woven((ROOT / file).read_text(encoding="utf-8"), own)
        write(tree / file, text.replace("#[inline(always)]", "").encode())
    return places


def write(file: Path, content: bytes) -> None:
    """Write a file unless it is the same: what is new is built again."""
    file.parent.mkdir(parents=True, exist_ok=True)
    if not file.exists() or file.read_bytes() != content:
        file.write_bytes(content)


def cargo(tree: Path, *command: str) -> tuple[int, list[dict[str, Any]]]:
    """Run cargo on the copy; return its exit code and what it says."""
    environment = os.environ | QUICK | {"CARGO_TARGET_DIR": str(WORK / "target")}
    ran = subprocess.run(
        ["cargo", *command, "--message-format", "json", "--quiet"],
        cwd=tree,
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
    todo = "".join((ROOT / "tests" / f"{name}.rs").read_text(encoding="utf-8") for name in targets if name != "lib")
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


def build(tree: Path, mutants: dict[int, dict[str, Any]], targets: list[str]) -> tuple[list[str], set[int]]:
    """Build the tests with all mutants that compile; return the test programs, and the mutants that do not."""
    files = subprocess.run(
        ["git", "ls-files"], cwd=ROOT, check=True, capture_output=True, text=True
    ).stdout.splitlines()
    changed = {mutant["file"] for mutant in mutants.values()}
    for file in set(files) - changed - {"Cargo.toml", "src/lib.rs"}:
        write(tree / file, (ROOT / file).read_bytes())
    manifest = (ROOT / "Cargo.toml").read_text(encoding="utf-8").partition("[lints.rust]")[0]
    write(tree / "Cargo.toml", (manifest.replace(', "cdylib"', "") + PROFILE).encode())
    root = without_higher_floors((ROOT / "src" / "lib.rs").read_text(encoding="utf-8"), targets)
    write(tree / "src" / "lib.rs", (QUIET + root + NUMBER.replace("MUTANTS", str(len(mutants)))).encode())
    unit = ["--lib"] if "lib" in targets else []
    modules = "".join(f'#[path = "{name}.rs"]\nmod {name};\n' for name in targets if name != "lib")
    write(tree / "tests" / "woven.rs", modules.encode())
    # What did not compile is known until the files change, so that new tests alone are soon built.
    source = json.dumps(mutants).join((ROOT / file).read_text(encoding="utf-8") for file in sorted(changed))
    known = tree.with_name(f"{hashlib.sha256(source.encode()).hexdigest()}.json")
    out: set[int] = set(json.loads(known.read_text(encoding="utf-8"))) if known.exists() else set()
    while True:
        places = weave(tree, {number: mutant for number, mutant in mutants.items() if number not in out})
        code, said = cargo(tree, "test", "--release", "--no-run", *unit, "--test", "woven")
        if code == 0:
            break
        bad = refused(said, places)
        if not bad:
            raise SystemExit("\n".join(m["message"]["rendered"] for m in said if "message" in m))
        out |= bad
        known.write_text(json.dumps(sorted(out)), encoding="utf-8")
    return [m["executable"] for m in said if m.get("executable")], out


class Test(NamedTuple):
    """A test, the functions that it reaches, and the time of a processor that it takes."""

    program: str
    name: str
    reaches: set[int]
    processor_s: float


def run(tree: Path, program: str, test: str, number: int | None, clock_s: float, processor_s: float) -> set[int] | None:
    """Return the functions that a test reaches with a mutant in place, or nothing where it fails."""
    environment = os.environ | {"PROPTEST_MAX_SHRINK_ITERS": "0"} | ({} if number is None else {"MUTANT": str(number)})
    limits = f'ulimit -t {round(processor_s)}; ulimit -v {MOST_KB}; ulimit -c 0; exec "$@"'
    command = ["sh", "-c", limits, "sh", program, "--exact", test]
    try:
        ran = subprocess.run(
            command,
            cwd=tree,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.PIPE,
            timeout=clock_s,
            check=False,
        )
    except subprocess.TimeoutExpired:
        return None
    return {int(found) for found in re.findall(rb"reached (\d+)\n", ran.stderr)} if ran.returncode == 0 else None


def learnt(tree: Path, program: str, skip: list[str]) -> list[Test]:
    """Return the tests of a program."""
    said = subprocess.run([program, "--list"], cwd=tree, check=True, capture_output=True, text=True).stdout
    tests = []
    for name in re.findall(r"^(.*): test$", said, re.M):
        if any(part in name for part in skip):
            continue
        used = resource.getrusage(resource.RUSAGE_CHILDREN)
        reaches = run(tree, program, name, None, 3600, 3600)
        if reaches is None:
            raise SystemExit(f"{name} fails without a mutant")
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        processor_s = after.ru_utime - used.ru_utime + after.ru_stime - used.ru_stime
        tests.append(Test(program, name, reaches, processor_s))
        print(f"{name}: {processor_s:.2f} s, reaches {len(reaches)} functions", file=sys.stderr, flush=True)
    return tests


def catches(tree: Path, test: Test, number: int) -> bool:
    """Whether a test fails, panics, takes five times as long with a mutant in place, or waits for ever."""
    return run(tree, test.program, test.name, number, 60 + 20 * test.processor_s, 2 + 5 * test.processor_s) is None


def main() -> int:
    """Print every mutant that no test caught, and how many there were."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("files", help="files to change, as a pattern")
    parser.add_argument("targets", nargs="+", help="test targets")
    parser.add_argument("--skip", nargs="*", default=[], help="tests that are left out, such as slow ones")
    parser.add_argument("--shard", default="0/1", help="k/n: every n-th mutant, from the k-th on (default: all)")
    parser.add_argument("--only", type=int, nargs="*", help="numbers of mutants, as printed")
    parser.add_argument("--jobs", type=int, default=1, help="mutants tried at a time")
    given = parser.parse_args()
    mutants = dict(enumerate(listed([given.files], given.shard)))
    tree = WORK / re.sub(r"\W+", "-", given.files).strip("-")
    programs, out = build(tree, mutants, given.targets)
    tests = [test for program in programs for test in learnt(tree, program, given.skip)]
    tests.sort(key=lambda test: test.processor_s)
    tried = [number for number in mutants if number not in out and number in (given.only or mutants)]

    def caught(number: int) -> bool:
        reaching = [test for test in tests if mutants[number]["in"] in test.reaches]
        found = any(catches(tree, test, number) for test in reaching)
        if not found:
            print(f"{number}: {mutants[number]['name']}{'' if reaching else ' (no test reaches it)'}", flush=True)
        return found

    with ThreadPoolExecutor(given.jobs) as pool:
        missed = len(tried) - sum(pool.map(caught, tried))
    print(f"{len(mutants)} mutants, {len(out)} that do not compile, {len(tried)} tried, {missed} not caught")
    return min(missed, 1)


if __name__ == "__main__":
    sys.exit(main())

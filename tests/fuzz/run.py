"""Feed every reader what a coverage-guided fuzzer makes up: ``python tests/fuzz/run.py [READER ...] --minutes 10``.

The minutes are those of a processor, so a busy machine only takes longer. What crashes a reader is left in
``target/fuzz`` and ends the command with 1; mend it, and put the file into the corpus.
"""

from __future__ import annotations

import argparse
import math
import resource
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).parents[2]
LIMITS = ("-timeout=120", "-rss_limit_mb=2000", "-max_len=6000", "-print_final_stats=1", "-verbosity=0")


def one(name: str, arguments: list[str]) -> None:
    """Fuzz a reader in this process, for ever or as long as the arguments say."""
    import atheris

    with atheris.instrument_imports(include=["matledger"]):
        from readers import READERS

    reader = READERS[name]
    with tempfile.TemporaryDirectory() as folder:
        reader.prepare(Path(folder))
        atheris.Setup([sys.argv[0], *arguments], lambda data: reader.feed(data, Path(folder)))
        atheris.Fuzz()


def words(name: str) -> str:
    """Return a dictionary for the fuzzer: the words that stand in a reader's corpus, and what has broken readers."""
    from readers import READERS

    found = {word for seed in READERS[name].seeds() for word in seed.replace(b",", b" ").split() if len(word) < 40}
    found |= {
        b'"',
        b"\r",
        b"\xef\xbb\xbf",
        b"\xff\xfe",
        b"1e308",
        b"9" * 30,
        b"-0",
        b"nan",
        b"[[",
        b"2014-02-29",
        b"\0",
    }
    tokens = ("".join(f"\\x{byte:02x}" for byte in word) for word in sorted(found))
    return "\n".join(f'"{token}"' for token in tokens) + "\n"


def main() -> int:
    """Fuzz each reader in a process of its own."""
    from readers import CORPUS, READERS

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("readers", nargs="*", metavar="READER", help=f"some of {', '.join(READERS)} (default: all)")
    parser.add_argument("--minutes", type=float, default=10, help="of a processor, for each reader (default 10)")
    given = parser.parse_args()
    kept = ROOT / "target" / "fuzz"
    failed = []
    for name in given.readers or READERS:
        (kept / name).mkdir(parents=True, exist_ok=True)
        (kept / f"{name}.dict").write_text(words(name), encoding="ascii")
        inputs, seconds, code = 0, 0.0, 0
        while code == 0 and seconds < 60 * given.minutes:
            left = math.ceil(60 * given.minutes - seconds)
            limits = (f"-max_total_time={left}", f"-dict={kept / name}.dict", *LIMITS)
            folders = (f"-artifact_prefix={kept}/{name}-", kept / name, CORPUS / name)
            command = [sys.executable, __file__, "--one", name, *limits, *map(str, folders)]
            before = resource.getrusage(resource.RUSAGE_CHILDREN)
            ran = subprocess.run(command, stderr=subprocess.PIPE, text=True, errors="replace", check=False)
            after = resource.getrusage(resource.RUSAGE_CHILDREN)
            seconds += after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
            counts = [line.split()[-1] for line in ran.stderr.splitlines() if "number_of_executed_units" in line]
            inputs += int(counts[0]) if counts else 0
            code = ran.returncode
        result = f"CRASH\n{ran.stderr[-3000:]}" if code else "no crash"
        print(f"{name}: {inputs} inputs in {seconds:.0f} s of processor time, {result}", flush=True)
        failed += [name] * (code != 0)
    return min(len(failed), 1)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--one"]:
        one(sys.argv[2], sys.argv[3:])
    else:
        sys.exit(main())

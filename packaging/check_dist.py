"""Assert what a folder of built files holds.

Run as ``python packaging/check_dist.py DIST [PLATFORM ...]``: the wheels of those platforms, by the ends of names in
``packaging/wheels.txt``, or without any platform all of them and the source archive, and nothing else.
"""

import re
import sys
import tarfile
import zipfile
from pathlib import Path

ROOT = Path(__file__).parents[1]
MOST_BYTES = 10_000_000
VERSION = re.search(r'^version = "(.+)"', (ROOT / "Cargo.toml").read_text(encoding="utf-8"), re.M)[1]  # type: ignore[index]
NEEDED = ("_core.pyi", "py.typed", "templates/report.typ", "demo/course/course.toml")


def expected(platforms: list[str]) -> set[str]:
    """Return the names of the files that should be there."""
    lines = (ROOT / "packaging" / "wheels.txt").read_text(encoding="utf-8").splitlines()
    tags = [line for line in lines if line and not line.startswith("#")]
    wheels = {f"matledger-{VERSION}-{tag}.whl" for tag in tags if not platforms or tag.endswith(tuple(platforms))}
    return wheels | (set() if platforms else {f"matledger-{VERSION}.tar.gz"})


def faults(path: Path) -> list[str]:
    """Say what is wrong with one file."""
    found = [] if (size := path.stat().st_size) <= MOST_BYTES else [f"{size:,} bytes; expected at most {MOST_BYTES:,}"]
    if path.suffix == ".whl":
        with zipfile.ZipFile(path) as wheel:
            names = wheel.namelist()
        inside = [f"matledger/{name}" for name in NEEDED]
        strays = [name for name in names if not name.startswith(("matledger/", f"matledger-{VERSION}.dist-info/"))]
        found += [f"stray {name}" for name in strays]
        licences = ("LICENSE-MIT", "LICENSE-APACHE")
        inside += [f"matledger-{VERSION}.dist-info/licenses/{name}" for name in licences]
    else:
        with tarfile.open(path) as archive:
            names = archive.getnames()
        inside = [
            f"matledger-{VERSION}/{name}" for name in ("Cargo.lock", "vendor/pyo3/Cargo.toml", ".cargo/config.toml")
        ]
    return found + [f"no {name}" for name in inside if name not in names]


def main(dist: Path, platforms: list[str]) -> int:
    """Print every fault; the exit code is their number, at most 1."""
    there, wanted = {path.name for path in dist.iterdir()}, expected(platforms)
    said = [f"missing {name}" for name in sorted(wanted - there)] + [
        f"not expected {n}" for n in sorted(there - wanted)
    ]
    said += [f"{name}: {fault}" for name in sorted(wanted & there) for fault in faults(dist / name)]
    sizes = [f"{name}: {(dist / name).stat().st_size:,} bytes" for name in sorted(wanted & there)]
    print("\n".join(sizes + said))
    return min(len(said), 1)


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), sys.argv[2:]))

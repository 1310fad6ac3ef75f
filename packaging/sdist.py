"""Write a source archive that builds without a network: maturin's own, with the crates that it needs inside.

Of the locked crates only those of the extension come along, without their tests and benches. A locked crate that is
behind a feature we do not use is kept as an empty crate, since cargo wants to see it.

Run as ``python packaging/sdist.py DIST``; prints the path of the archive and its size.
"""

import json
import re
import shutil
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path

from check_dist import faults

ROOT = Path(__file__).parents[1]
NOT_NEEDED = (
    *("tests", "benches", "examples", "test_data", "branding", ".github"),
    *("CHANGELOG.md", "Cargo.lock", "Cargo.toml.orig", "uv.lock"),
)
SOURCES = """\
[source.crates-io]
replace-with = "vendored"

[source.vendored]
directory = "vendor"
"""


def run(*command: str, cwd: Path) -> str:
    """Run a command, and return what it printed."""
    return subprocess.run(command, cwd=cwd, check=True, stdout=subprocess.PIPE, text=True).stdout


def without_tests(manifest: Path) -> None:
    """Drop what only tests and benches need, so that their crates are not locked."""
    text = manifest.read_text(encoding="utf-8")
    text = re.sub(r"^\[dev-dependencies\]\n.*?(?=^\[)", "", text, flags=re.M | re.S)
    manifest.write_text(re.sub(r"^\[\[bench\]\]\n.*?(?=^\[)", "", text, flags=re.M | re.S), encoding="utf-8")


def needed(tree: Path) -> set[tuple[str, str]]:
    """Name and version of every crate that the extension is built from, on any platform."""
    listed = run(
        *("cargo", "tree", "--target", "all", "--features", "python", "--edges", "normal,build", "--prefix", "none"),
        cwd=tree,
    )
    return {(name, version) for name, version in re.findall(r"^(\S+) v(\S+)", listed, re.M)}


def trim(crate: Path, wanted: set[tuple[str, str]]) -> None:
    """Take out of a vendored crate what its build does not read."""
    manifest = (crate / "Cargo.toml").read_text(encoding="utf-8")
    package = manifest.split("[package]", 1)[1]
    name, version = (re.search(rf'^{key} = "([^"]+)"', package, re.M)[1] for key in ("name", "version"))  # type: ignore[index]
    checksum = json.loads((crate / ".cargo-checksum.json").read_text(encoding="utf-8"))
    if (name, version) in wanted:
        for path in (crate / name for name in NOT_NEEDED):
            shutil.rmtree(path) if path.is_dir() else path.unlink(missing_ok=True)
    else:
        for path in crate.iterdir():
            if path.name != "Cargo.toml":
                shutil.rmtree(path) if path.is_dir() else path.unlink()
        (crate / "src").mkdir()
        (crate / "src" / "lib.rs").touch()
        manifest = re.sub(r"^\[\[(bin|example|test|bench)\]\]\n.*?(?=^\[|\Z)", "", manifest, flags=re.M | re.S)
        (crate / "Cargo.toml").write_text(re.sub(r"^build = .*\n", "", manifest, flags=re.M), encoding="utf-8")
    # The checksums of files are cargo's guard against an edited crate; these are edited on purpose.
    (crate / ".cargo-checksum.json").write_text(json.dumps({"files": {}, "package": checksum["package"]}))


def main(dist: Path) -> None:
    """Write the archive into ``dist``."""
    with tempfile.TemporaryDirectory() as scratch:
        run(sys.executable, "-m", "maturin", "sdist", "--out", scratch, cwd=ROOT)
        (archive,) = Path(scratch).glob("*.tar.gz")
        with tarfile.open(archive) as packed:
            packed.extractall(scratch, filter="data")
        tree = Path(scratch) / archive.name.removesuffix(".tar.gz")
        without_tests(tree / "Cargo.toml")
        run("cargo", "vendor", "--quiet", "vendor", cwd=tree)
        wanted = needed(tree)
        for crate in (tree / "vendor").iterdir():
            trim(crate, wanted)
        (tree / ".cargo").mkdir()
        (tree / ".cargo" / "config.toml").write_text(SOURCES, encoding="utf-8")
        dist.mkdir(parents=True, exist_ok=True)
        target = dist / archive.name
        with tarfile.open(target, "w:gz", compresslevel=9) as out:
            out.add(tree, tree.name)
    print(f"{target}: {target.stat().st_size:,} bytes")
    if found := faults(target):
        raise SystemExit("\n".join(found))


if __name__ == "__main__":
    main(Path(sys.argv[1]))

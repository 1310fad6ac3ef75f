"""Build a wheel from the source archive with no network: run as ``python packaging/try_sdist.py ARCHIVE``.

The build sees an empty cargo home, so that no crate of this machine can help out; where Linux lets us, it runs in a
network namespace of its own that holds no network at all.
"""

import os
import subprocess
import sys
import tarfile
import tempfile
from pathlib import Path


def main(archive: Path) -> None:
    """Build, and print what came of it."""
    cut_off = ["unshare", "--net"] if subprocess.run(["unshare", "--net", "true"], check=False).returncode == 0 else []
    with tempfile.TemporaryDirectory() as scratch:
        with tarfile.open(archive) as packed:
            packed.extractall(scratch, filter="data")
        (tree,) = Path(scratch).iterdir()
        environment = os.environ | {
            "CARGO_HOME": f"{scratch}/cargo",
            "RUSTUP_HOME": os.environ.get("RUSTUP_HOME", str(Path.home() / ".rustup")),
            "CARGO_NET_OFFLINE": "true",
            "CARGO_PROFILE_RELEASE_LTO": "off",  # only whether it builds is asked here
            "CARGO_PROFILE_RELEASE_OPT_LEVEL": "0",
        }
        build = [sys.executable, "-m", "maturin", "build", "--release", "--locked", "--quiet", "--out", scratch]
        subprocess.run([*cut_off, *build], cwd=tree, env=environment, check=True)
        (wheel,) = Path(scratch).glob("*.whl")
        print(f"{wheel.name} built from {archive.name}, {'without a' if cut_off else 'not using the'} network")


if __name__ == "__main__":
    main(Path(sys.argv[1]))

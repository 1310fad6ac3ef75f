"""The first hour, from a wheel to the committee's page, by the page of that name and nothing else."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
sys.path.insert(0, str(ROOT / "packaging"))

import check_dist  # noqa: E402
import try_wheel  # noqa: E402


@pytest.fixture(scope="module")
def wheel(tmp_path_factory):
    out = tmp_path_factory.mktemp("wheel")
    build = [sys.executable, "-m", "maturin", "build", "--release", "--quiet", "--compatibility", "linux"]
    subprocess.run([*build, "--out", out], cwd=ROOT, check=True)
    (path,) = out.glob("*.whl")
    return path


@pytest.mark.skipif(sys.platform == "win32", reason="the page's commands are those of a Unix shell")
def test_the_first_hour_goes_as_written(wheel, tmp_path):
    page = try_wheel.PAGE.read_text(encoding="utf-8")
    wrong = try_wheel.follow(page, wheel, sys.executable, tmp_path)
    assert not wrong, "\n".join(wrong)
    assert (tmp_path / "work" / "plan.html").read_text(encoding="utf-8").rstrip().endswith("</html>")


def test_a_page_that_says_otherwise_is_caught(wheel, tmp_path):
    page = "```sh\necho one\n```\n\n```text\ntwo\n```\n\n```sh\nfalse\n```\n"
    wrong = try_wheel.follow(page, wheel, sys.executable, tmp_path)
    assert [line.split("\n")[0] for line in wrong] == ["echo one", "false"]


def test_the_wheel_holds_the_package_and_nothing_else(wheel):
    assert check_dist.faults(wheel) == []


def test_a_release_without_one_of_its_wheels_is_refused(tmp_path, capsys):
    names = check_dist.expected([])
    assert len(names) == 8
    assert check_dist.main(tmp_path, []) == 1
    said = capsys.readouterr().out
    assert all(f"missing {name}" in said for name in names)
    assert check_dist.expected(["manylinux_2_17_x86_64"]) == {
        f"matledger-{check_dist.VERSION}-cp311-abi3-manylinux2014_x86_64.manylinux_2_17_x86_64.whl"
    }


def test_the_version_is_one():
    version = check_dist.VERSION
    assert f"\nversion: {version}\n" in (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert version in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
    assert f"```text\nmatledger {version}\n```" in try_wheel.PAGE.read_text(encoding="utf-8")
    tracked = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False).stdout
    said = {
        name
        for name in tracked.splitlines()
        if name.endswith((".py", ".toml", ".md", ".cff", ".yml", ".txt"))
        and re.search(rf"matledger.{{0,20}}\b{re.escape(version)}", (ROOT / name).read_text(encoding="utf-8"))
    }
    assert said <= {"docs/first-hour.md"}  # everything else asks the crate


def test_the_citation_can_be_read():
    text = (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    keys = set(re.findall(r"^([\w-]+):", text, re.M))
    assert {
        "cff-version",
        "message",
        "title",
        "authors",
        "version",
        "license",
    } <= keys  # what the format needs, and ours

"""The catalogue of errors names everything that can go wrong, and says what to do about it."""

import ast
import re

import pytest
from broken import files
from page_maker import DOCS, page_maker
from test_docs import FILES, TOML

import matledger as mat
from matledger import cli
from matledger.simulation import InterruptedWarning, LeftDomainWarning, SinkingWarning

errors = page_maker("make_errors")
ROOT = DOCS.parent


def test_the_page_is_that_of_the_source():
    assert errors.PAGE.read_text(encoding="utf-8") == errors.page(), "run docs/make_errors.py"


def test_every_message_has_a_kind_and_every_kind_a_message():
    assert [text for text in errors.texts() if errors.kind_of(text) is None] == []
    assert {kind.title for kind in errors.KINDS} == {errors.kind_of(text).title for text in errors.texts()}
    numerical = {text: errors.kind_of(text, errors.NUMERICAL) for text in errors.numerical_texts()}
    assert [text for text, kind in numerical.items() if kind is None] == []
    assert set(numerical.values()) == set(errors.NUMERICAL)


def test_the_source_is_read_whole():
    # One of each way to make a message, so that a way that is no longer found shows.
    assert {
        "text in UTF-8",  # a function with a parameter `expected`
        "a date without a time of day",  # a method
        "at most the depth of the column (… mm)",  # a variable
        "one of … (nearest: …)",  # a sum of texts
        "a density above 0 g/cm3",  # the crate's `require`
        "one for each sieve (…)",  # its `format!`
        "a spacing above 0 mm",  # a closure over it
        "a covariate that varies between sites",
    } <= set(errors.texts())


def test_what_a_column_expects_has_a_kind():
    columns = [*(column for columns in FILES.values() for column in columns), *TOML]
    wordless = {"text", "true or false"}
    assert {c.expected for c in columns if errors.kind_of_message(c.expected) is None and not c.choices} <= wordless


@pytest.mark.parametrize("case", files.CASES, ids=lambda case: case.title)
def test_every_broken_file_is_told_what_to_do(case):
    assert None not in case.kinds()
    error = case.error()
    for problem in error.problems if error else ():
        assert str(problem).endswith(f"; expected {problem.expected}")


def test_every_class_is_on_the_page():
    page = errors.PAGE.read_text(encoding="utf-8")
    raised = {mat.InputError, SinkingWarning, LeftDomainWarning, InterruptedWarning}
    public = {
        node.name
        for path in (ROOT / "python" / "matledger").rglob("*.py")
        for node in ast.parse(path.read_text(encoding="utf-8")).body
        if isinstance(node, ast.ClassDef)
        and any(getattr(b, "id", "").endswith(("Error", "Warning")) for b in node.bases)
    }
    assert {each.__name__ for each in raised} <= public
    for name in public | {"OSError", "RuntimeError", "KeyboardInterrupt", "ModuleNotFoundError"}:
        assert f"`{name}`" in page, name


def test_every_exit_code_is_on_the_page_of_the_first_hour():
    listed = set(map(int, re.findall(r"^\| (\d+) \|", (DOCS / "first-hour.md").read_text(encoding="utf-8"), re.M)))
    assert listed == {cli.OK, cli.NO_ANSWER, cli.BAD_INPUT, cli.NO_PROGRAMME, cli.NO_FILE, cli.STOPPED}

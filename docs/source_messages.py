"""Find in the source what each message of an `InputError` says was expected, for the catalogue of errors.

A text is given with ``…`` in place of what is filled in when the message is made. Texts that a column makes of its own
bounds are not found here: they are of the forms that ``Column.expected`` has.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from itertools import product
from pathlib import Path

ROOT = Path(__file__).parents[1]
GAP = "…"
FunctionLike = ast.FunctionDef | ast.Lambda


def python_texts() -> set[str]:
    """Return what the Python package expects, wherever it makes a problem."""
    trees = [ast.parse(path.read_text(encoding="utf-8")) for path in sorted(ROOT.glob("python/matledger/**/*.py"))]
    makers = {"Problem": 2, "BadValueError": 1, "report": -1}
    for node in (node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)):
        names = [argument.arg for argument in node.args.args if argument.arg != "self"]
        if "expected" in names:
            makers.setdefault(node.name, names.index("expected"))
    found: set[str] = set()
    for tree in trees:
        for call, inside in _calls(tree, ()):
            name = call.func.attr if isinstance(call.func, ast.Attribute) else getattr(call.func, "id", None)
            if name not in makers:
                continue
            by_name = [keyword.value for keyword in call.keywords if keyword.arg == "expected"]
            at = makers[name]
            given = by_name or call.args[at : at + 1 or None]
            for argument in given:
                found.update(_texts(argument, (tree, *inside)))
    return {text for text in found if text.strip(GAP + " ,")}


def _calls(node: ast.AST, inside: tuple[ast.AST, ...]) -> Iterator[tuple[ast.Call, tuple[ast.AST, ...]]]:
    """Every call, with the functions that it stands in."""
    if isinstance(node, ast.Call):
        yield node, inside
    for child in ast.iter_child_nodes(node):
        yield from _calls(child, (*inside, node) if isinstance(node, FunctionLike) else inside)


def _texts(node: ast.AST, scopes: tuple[ast.AST, ...]) -> set[str]:
    """Return the texts that an expression may be; what is not known here is a gap."""
    if isinstance(node, ast.Constant) and isinstance(node.value, str):
        return {node.value}
    if isinstance(node, ast.JoinedStr):
        parts = [_texts(part, scopes) if isinstance(part, ast.Constant) else {GAP} for part in node.values]
        return {"".join(each) for each in product(*parts)}
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return {a + b for a, b in product(_texts(node.left, scopes), _texts(node.right, scopes))}
    if isinstance(node, ast.IfExp):
        return _texts(node.body, scopes) | _texts(node.orelse, scopes)
    if isinstance(node, ast.BoolOp):
        return set().union(*(_texts(value, scopes) for value in node.values))
    if isinstance(node, ast.Name):
        for scope in reversed(scopes):
            texts = [_texts(value, ()) for value in _assigned(scope, node.id)]
            if texts:
                return set().union(*texts)
    return {GAP}


def _assigned(scope: ast.AST, name: str) -> Iterator[ast.AST]:
    for node in ast.walk(scope):
        if isinstance(node, ast.Assign):
            for target in node.targets:
                if isinstance(target, ast.Name) and target.id == name:
                    yield node.value
                elif isinstance(target, ast.Tuple) and isinstance(node.value, ast.Tuple):
                    pairs = zip(target.elts, node.value.elts, strict=True)
                    yield from (value for one, value in pairs if isinstance(one, ast.Name) and one.id == name)


TEXT = re.compile(r'"((?:[^"\\]|\\.)*)"', re.S)


def rust_texts() -> set[str]:
    """Return what the crate expects: the last text of every ``require``, and of what wraps one."""
    found: set[str] = set()
    for path in sorted(ROOT.glob("src/**/*.rs")):
        source = re.sub(r"//.*", "", path.read_text(encoding="utf-8").split("#[cfg(test)]")[0])
        for call in re.finditer(r"\b(?:require|positive|size|mass|require_df)\(", source):
            found.update(_last_text(_arguments(source, call.end()), source))
        for field in re.finditer(r"\bexpected: ", source):
            found.update(_last_text([source[field.end() : field.end() + 200].split("}")[0]], source))
    return {text for text in found if text.strip(GAP + " ,")}


def _arguments(source: str, at: int) -> list[str]:
    """Split the arguments of a call that opens before ``at``."""
    depth, start, arguments, quoted = 0, at, [], False
    for here in range(at, len(source)):
        mark = source[here]
        if mark == '"' and source[here - 1] != "\\":
            quoted = not quoted
        elif quoted:
            continue
        elif mark in "([{":
            depth += 1
        elif depth == 0 and mark in ",)":
            arguments.append(source[start:here])
            start = here + 1
            if mark == ")":
                return [argument for argument in arguments if argument.strip()]
        elif mark in ")]}":
            depth -= 1
    return arguments


def _last_text(arguments: list[str], source: str) -> set[str]:
    last = arguments[-1] if arguments else ""
    texts = TEXT.findall(last)
    if not texts and re.fullmatch(r"\s*\w+(\.clone\(\)|\.to_owned\(\)|\.into\(\))?\s*", last):
        name = re.search(r"\w+", last)[0]  # type: ignore[index]
        for value in re.findall(rf"let (?:mut )?{name}\b[^=;]*=([^;]*);", source):
            texts += TEXT.findall(value)
        for value in re.findall(rf"const {name}: &str =([^;]*);", source):
            texts += TEXT.findall(value)
    return {re.sub(r"\{[^}]*\}", GAP, re.sub(r"\\\n\s*", "", text)) for text in texts}


def numerical_texts() -> set[str]:
    """Return what the crate says when no answer could be computed."""
    found: set[str] = set()
    for path in sorted(ROOT.glob("src/**/*.rs")):
        source = re.sub(r"//.*", "", path.read_text(encoding="utf-8").split("#[cfg(test)]")[0])
        for made in re.finditer(r"Error::Numerical\((?!_\))", source):
            found.update(_last_text(_arguments(source, made.end()), source) or {GAP})
    return found

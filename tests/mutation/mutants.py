"""Small changes to a module's source that a good test suite must notice.

Each mutant replaces one stretch of text: an operator, a constant, a condition, a statement, an element. Left
alone are type annotations, docstrings, decorators, ``__slots__`` and local variables, without which nothing
runs. A text with fields (an f-string) is emptied, loses each field, and has the outermost operation of each
field changed.
"""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

_COMPARISONS: Final[dict[type[ast.cmpop], tuple[type[ast.cmpop], ...]]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
}
_ARITHMETIC: Final[dict[type[ast.operator], type[ast.operator]]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.BitOr: ast.BitAnd,
    ast.BitAnd: ast.BitOr,
}
_TWINS: Final = {"min": "max", "max": "min", "any": "all", "all": "any"}
_REMOVED: Final = "(removed)"


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change: in which function, on which line, what becomes what.

    ``function``, ``line`` (its text, not its number) and ``mutation`` name it for people and for the list of
    survivors; they outlive changes elsewhere in the file. ``start``, ``end`` and ``text`` make it: the bytes
    of the source in between are replaced.
    """

    function: str
    line: str
    mutation: str
    start: int
    end: int
    text: str

    @property
    def key(self) -> tuple[str, str, str]:
        """What names it within its module."""
        return (self.function, self.line, self.mutation)

    def apply(self, source: str) -> str:
        """Return the mutated source."""
        data = source.encode()
        return (data[: self.start] + self.text.encode() + data[self.end :]).decode()


def mutants(source: str) -> tuple[Mutant, ...]:
    """Return every mutant of a module, in the order of its text, each with a key of its own."""
    found = sorted(_Finder(source).found, key=lambda it: (it.start, it.end, it.mutation))
    seen: Counter[tuple[str, str, str]] = Counter()
    unique = []
    for mutant in found:
        seen[mutant.key] += 1
        count = seen[mutant.key]
        unique.append(replace(mutant, mutation=f"{mutant.mutation} #{count}") if count > 1 else mutant)
    return tuple(unique)


class _Finder:
    """Walks a module once and collects its mutants in ``found``."""

    def __init__(self, source: str) -> None:
        self._lines = source.splitlines(keepends=True)
        self._offsets = [0]
        for line in self._lines:
            self._offsets.append(self._offsets[-1] + len(line.encode()))
        self.found: list[Mutant] = []
        tree = ast.parse(source)
        self._members = _members(tree)
        self._walk(tree, "<module>")

    def _walk(self, node: ast.AST, function: str) -> None:
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef):
            function = node.name if function == "<module>" else f"{function}.{node.name}"
        for old, new, label in self._changes(node, function):
            self._note(old, new, label, function)
        for child in _children(node):
            self._walk(child, function)

    def _note(self, old: ast.AST, new: str, label: str, function: str) -> None:
        assert isinstance(old, ast.expr | ast.stmt)
        assert old.end_lineno is not None
        assert old.end_col_offset is not None
        self.found.append(
            Mutant(
                function=function,
                line=self._lines[old.lineno - 1].strip(),
                mutation=label,
                start=self._offsets[old.lineno - 1] + old.col_offset,
                end=self._offsets[old.end_lineno - 1] + old.end_col_offset,
                text=new,
            )
        )

    def _changes(self, node: ast.AST, function: str) -> Iterator[tuple[ast.AST, str, str]]:
        """Yield what to replace, by which text, and the words for it."""
        if isinstance(node, ast.expr):
            for new in self._expressions(node):
                text = ast.unparse(new)
                yield node, f"({text})", f"{_short(node)} -> {_short(new)}"
            yield from _without_elements(node)
        elif isinstance(node, ast.If):
            for new in _negated(node.test):
                yield node.test, f"({ast.unparse(new)})", f"if {_short(node.test)} -> if {_short(new)}"
        elif isinstance(node, ast.Return) and not _is_none(node.value):
            yield node, "return None", f"{_short(node)} -> return None"
        elif isinstance(node, ast.Raise | ast.Continue | ast.Break) or (
            isinstance(node, ast.Expr) and not isinstance(node.value, ast.Constant)
        ):
            yield node, "pass", f"{_short(node)} -> {_REMOVED}"
        elif isinstance(node, ast.AugAssign):
            other = _ARITHMETIC.get(type(node.op))
            if other is not None:
                turned = ast.AugAssign(node.target, other(), node.value)
                yield node, ast.unparse(turned), f"{_short(node)} -> {_short(turned)}"
            yield node, "pass", f"{_short(node)} -> {_REMOVED}"
        elif (isinstance(node, ast.Assign) and not all(map(_is_local, node.targets))) or (
            isinstance(node, ast.AnnAssign) and node.value is not None and not _is_local(node.target)
        ):
            yield node, "pass", f"{_short(node)} -> {_REMOVED}"

    def _expressions(self, node: ast.expr) -> Iterator[ast.expr]:
        match node:
            case ast.Compare(left, ops, comparators):
                for place, op in enumerate(ops):
                    for other in _COMPARISONS[type(op)]:
                        yield ast.Compare(left, [*ops[:place], other(), *ops[place + 1 :]], comparators)
            case ast.BoolOp(op, values):
                yield ast.BoolOp(ast.Or() if isinstance(op, ast.And) else ast.And(), values)
                for place in range(len(values)):
                    rest = [*values[:place], *values[place + 1 :]]
                    yield rest[0] if len(rest) == 1 else ast.BoolOp(op, rest)
            case ast.BinOp(left, op, right) if type(op) in _ARITHMETIC:
                yield ast.BinOp(left, _ARITHMETIC[type(op)](), right)
            case ast.UnaryOp(ast.Not() | ast.USub(), operand):
                yield operand
            case ast.IfExp(test, body, orelse):
                yield ast.IfExp(test, orelse, body)
            case ast.Constant(value):
                yield from _constants(value)
            case ast.JoinedStr(values):
                yield ast.Constant("")
                for place, part in enumerate(values):
                    if isinstance(part, ast.FormattedValue):
                        yield ast.JoinedStr([*values[:place], *values[place + 1 :]])
                        for new in self._expressions(part.value):
                            field = ast.FormattedValue(new, part.conversion, part.format_spec)
                            yield ast.JoinedStr([*values[:place], field, *values[place + 1 :]])
            case ast.Call(ast.Name(name), arguments, keywords) if name in _TWINS:
                yield ast.Call(ast.Name(_TWINS[name]), arguments, keywords)
            case ast.Attribute(ast.Name(name), attr) if len(self._members.get(name, ())) > 1:
                members = self._members[name]
                yield ast.Attribute(ast.Name(name), members[(members.index(attr) + 1) % len(members)])


def _children(node: ast.AST) -> Iterator[ast.AST]:
    """Yield what is walked below a node: no annotations, decorators, docstrings, slots or parts of texts."""
    if isinstance(node, ast.JoinedStr):
        return
    for name, value in ast.iter_fields(node):
        if name in {"annotation", "returns", "decorator_list", "bases", "type_ignores"}:
            continue
        for child in value if isinstance(value, list) else [value]:
            slots = isinstance(child, ast.Assign) and _short(child.targets[0]) == "__slots__"
            words = isinstance(child, ast.Expr) and isinstance(child.value, ast.Constant)
            if isinstance(child, ast.AST) and not slots and not words:
                yield child


def _members(tree: ast.AST) -> dict[str, list[str]]:
    """Return for each name the members that the module uses of it (``AlarmState`` -> NORMAL, SHELVED...)."""
    members: dict[str, set[str]] = {}
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.attr.isupper():
            members.setdefault(node.value.id, set()).add(node.attr)
    return {name: sorted(found) for name, found in members.items() if name[0].isupper()}


def _constants(value: object) -> Iterator[ast.expr]:
    if isinstance(value, bool):
        yield ast.Constant(not value)
    elif isinstance(value, int | float):
        yield ast.Constant(value + 1)
        if value:
            yield ast.Constant(value - 1)
    elif isinstance(value, str):
        yield ast.Constant("" if value else "mutated")


def _negated(test: ast.expr) -> Iterator[ast.expr]:
    """Yield the test with its branches swapped, unless a comparison or a ``not`` is turned round anyway."""
    if not (isinstance(test, ast.Compare | ast.UnaryOp)):
        yield ast.UnaryOp(ast.Not(), test)


def _without_elements(node: ast.expr) -> Iterator[tuple[ast.AST, str, str]]:
    match node:
        case ast.Dict(keys, values):
            for place, (key, value) in enumerate(zip(keys, values, strict=True)):
                rest = ast.Dict([*keys[:place], *keys[place + 1 :]], [*values[:place], *values[place + 1 :]])
                entry = f"**{_short(value)}" if key is None else f"{_short(key)}: {_short(value)}"
                yield node, ast.unparse(rest), f"{entry} -> {_REMOVED}"
        case ast.Set(elements) if len(elements) > 1:
            for place, element in enumerate(elements):
                rest_of_set = ast.Set([*elements[:place], *elements[place + 1 :]])
                yield node, ast.unparse(rest_of_set), f"{_short(element)} -> {_REMOVED}"


def _is_none(node: ast.expr | None) -> bool:
    return node is None or (isinstance(node, ast.Constant) and node.value is None)


def _is_local(target: ast.expr) -> bool:
    if isinstance(target, ast.Tuple):
        return all(map(_is_local, target.elts))
    return isinstance(target, ast.Name)


def _short(node: ast.AST) -> str:
    text = ast.unparse(node)
    return text if len(text) <= 90 else f"{text[:60]}...{text[-25:]}"

"""A message in the form that a chat or ticket system takes: an operator's template, confined and bounded.

A template sees what is told and nothing else. It may name values, ask "if", go through a list, and use the filters
of `FILTERS`; whatever else the template language knows is refused when the settings are read. So it cannot reach
Python, call anything, or run long: its loops go over lists that are told, two deep at most.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any
from urllib.parse import quote

from jinja2 import Template, TemplateError, Undefined, meta, nodes
from jinja2.runtime import LoopContext
from jinja2.sandbox import ImmutableSandboxedEnvironment

from service.errors import UnusableTemplate

MOST_SOURCE = 16_384  # letters of a template
MOST_BODY = 65_536  # octets that it may make
MOST_LOOPS = 2  # one within the other
JSON = "application/json"
NAMES = ("id", "type", "time", "what", "text", "title", "lines", "links", "finding", "group")
OF_A_LOOP = ("first", "last", "index", "length")
FILTERS = ("tojson", "urlencode", "upper", "lower", "first", "last", "length", "join", "default", "round", "per_cent")
# What a template can be made of; assignments, macros, calls, imports and arithmetic are not among it.
ALLOWED = (
    nodes.Template,
    nodes.Output,
    nodes.TemplateData,
    nodes.Const,
    nodes.Name,
    nodes.Getattr,
    nodes.Getitem,
    nodes.Filter,
    nodes.If,
    nodes.For,
    nodes.CondExpr,
    nodes.Compare,
    nodes.Operand,
    nodes.And,
    nodes.Or,
    nodes.Not,
    nodes.List,
    nodes.Tuple,
    nodes.Keyword,
)


@dataclass(frozen=True)
class Form:
    """A template that was checked, and what its text is."""

    template: str
    content_type: str = JSON

    def __post_init__(self) -> None:
        _compiled(self.template)

    def body_of(self, event: Mapping[str, Any]) -> bytes:
        """The body that tells of an event; UnusableTemplate where the template makes none of it."""
        try:
            text = _compiled(self.template).render(values_of(event))
        except TemplateError as wrong:
            raise UnusableTemplate(str(wrong)) from None
        except (TypeError, ValueError, ArithmeticError, LookupError) as wrong:
            raise UnusableTemplate(f"{type(wrong).__name__}: {wrong}") from None
        body = text.encode("utf-8", "replace")
        if len(body) > MOST_BODY:
            raise UnusableTemplate(f"it makes {len(body)} octets, and {MOST_BODY} are the most")
        if self.content_type.partition(";")[0].strip() == JSON:
            _refuse_broken(text)
        return body


def values_of(event: Mapping[str, Any]) -> dict[str, Any]:
    """What a template may name: the message's id, its words and the finding that it tells of."""
    data = event["data"]
    told = {
        "id": event["id"],
        "type": event["type"],
        "time": event.get("time"),
        "what": data["what"],
        "text": data["text"],
        "title": data["text"].partition("\n")[0],
        "lines": data["text"].split("\n")[1:],
        "links": data.get("links", {}),
        "finding": data.get("finding", {}),
        "group": data.get("group", {}),
    }
    return {name: _frozen(value) for name, value in told.items()}


def _frozen(value: Any) -> Any:
    # JSON once more: nothing of ours is within reach, only plain values.
    return json.loads(json.dumps(value, allow_nan=False))


@lru_cache(maxsize=64)
def _compiled(template: str) -> Template:
    if len(template) > MOST_SOURCE:
        raise UnusableTemplate(f"it has {len(template)} letters, and {MOST_SOURCE} are the most")
    environment = _environment()
    try:
        parsed = environment.parse(template)
        _refuse_forbidden(parsed)
        _refuse_unknown(parsed)
        return environment.from_string(template)
    except TemplateError as wrong:
        line = getattr(wrong, "lineno", None)
        raise UnusableTemplate(f"{wrong}" + (f", line {line}" if line else "")) from None


class _Confined(ImmutableSandboxedEnvironment):
    """Reaches into plain values and the state of a loop only: what Python hangs on them is not there."""

    def getattr(self, obj: Any, attribute: str) -> Any:
        """The value of a key, or of a loop's state."""
        if isinstance(obj, LoopContext) and attribute in OF_A_LOOP:
            return getattr(obj, attribute)
        return self.getitem(obj, attribute)

    def getitem(self, obj: Any, argument: Any) -> Any:
        """The value of a key or place."""
        try:
            return obj[argument] if isinstance(obj, dict | list) else self.undefined(obj=obj, name=str(argument))
        except (LookupError, TypeError):
            return self.undefined(obj=obj, name=str(argument))


def _environment() -> _Confined:
    environment = _Confined(autoescape=False, trim_blocks=True, lstrip_blocks=True)
    known = {**environment.filters, "tojson": _json, "urlencode": _quoted, "per_cent": _per_cent}
    environment.filters = {name: known[name] for name in FILTERS}
    environment.globals = {}
    environment.tests = {}
    return environment


def _refuse_forbidden(node: nodes.Node, loops: int = 0) -> None:
    if not isinstance(node, ALLOWED):
        line = getattr(node, "lineno", 0)
        raise UnusableTemplate(f"line {line}: a template has no place for {type(node).__name__.lower()}")
    if isinstance(node, nodes.For):
        loops += 1
        if loops > MOST_LOOPS or node.recursive or not isinstance(node.iter, nodes.Name | nodes.Getattr):
            raise UnusableTemplate(f"line {node.lineno}: a loop goes over a list that is told, two deep at most")
    for child in node.iter_child_nodes():
        _refuse_forbidden(child, loops)


def _refuse_unknown(parsed: nodes.Template) -> None:
    unknown = sorted(meta.find_undeclared_variables(parsed) - set(NAMES))
    if unknown:
        raise UnusableTemplate(f"there is no value {unknown[0]!r}; there are {', '.join(NAMES)}")


def _refuse_broken(text: str) -> None:
    try:
        json.loads(text)
    except ValueError as wrong:
        raise UnusableTemplate(f"what it makes is not JSON: {wrong}; put values in as {{{{ text|tojson }}}}") from None


def _json(value: Any) -> str:
    # What a message does not have, as a test has no finding, is null.
    return json.dumps(None if isinstance(value, Undefined) else value, ensure_ascii=False, allow_nan=False)


def _quoted(value: Any) -> str:
    return quote(str(value), safe="")


def _per_cent(share: Any) -> str:
    return "unknown" if not isinstance(share, int | float) else f"{share * 100:.0f} %"

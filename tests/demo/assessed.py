"""The demo's day assessed at once, with no database and no HTTP."""

from __future__ import annotations

from service.demo.bodies import CONTENT_TYPE, arrow_body
from service.demo.plots import END_MS, START_MS
from service.demo.scenario import Scenario
from service.feeds import body
from service.feeds.limits import IngestLimits
from service.rules.assess import Assessment, Run, assess
from service.rules.diagnoses.assessed import with_explanations
from service.rules.layouts import layout_of
from service.terms import Rule, Span


def assessed(day: Scenario, end_ms: int = END_MS) -> Assessment:
    """What the windows up to an instant give, under the default rule."""
    limits = IngestLimits(max_octets=1 << 30, max_samples=2_000_000)
    parsed = body.parse(arrow_body(day.between(START_MS - 1, END_MS)), CONTENT_TYPE, limits=limits)
    layout, _ = layout_of(parsed.ports)
    span = Span(START_MS, (end_ms - START_MS) // 30_000)
    rules = (Rule(),) * len(layout.teams)
    found = assess(Run(parsed.samples, parsed.facts, layout, rules, span, now_ms=end_ms))
    return with_explanations(found, layout, rules)

"""The interface keeps what its description promises.

Outside sources: the JSON Schema that the OpenAPI 3.1 specification is published with and JSON Schema 2020-12 itself,
as schemathesis and jsonschema-rs carry them; and schemathesis as a caller, which writes requests from the description
alone, good and bad, and holds the answers against it with all of its checks (no failure of the server, statuses, media
types, schemas and headers as described, good requests accepted, bad ones refused, keys asked for, 405 with Allow).
"""

from collections import Counter

import jsonschema_rs
import pytest
import schemathesis
from examples import EPOCH_MS, a_finding
from schemathesis.config import SchemathesisConfig
from schemathesis.engine import events, from_schema
from storage_examples import a_change, a_polling, a_prediction, a_verdict
from web_examples import NOW_MS

from service.storage import (
    agents,
    agreements,
    changes,
    claims,
    close_looks,
    database,
    deliveries,
    findings,
    inventory,
    keys,
    predictions,
)
from service.storage.agreements import CABLE, Agreement
from service.storage.changes import Place
from service.storage.close_looks import CloseLook
from service.storage.deliveries import Owed
from service.terms import DECLARED, DISCOVERED, EGRESS, Baseline, Claim, PortName, Role
from service.web import api
from service.web.services import Services

EXAMPLES = 40  # a route, besides those that cover every border of the description


@pytest.fixture(scope="module")
def engine(tmp_path_factory):
    """A database with something of everything, so that not all answers are empty."""
    engine = database.open(f"sqlite:///{tmp_path_factory.mktemp('schema')}/lopside.sqlite")
    database.upgrade(engine)
    with engine.begin() as connection:
        names = [PortName("sm-07", f"m{k}", "front") for k in (1, 2)]
        inventory.resolve(connection, names, feed="push", now_ms=EPOCH_MS)
        far = {"far_device": "sw-03", "far_port": "g1/0/7"}
        declared = Claim("sm-07", "m1", DECLARED, "front", Role.STANDBY, **far)
        claims.keep(connection, [declared, Claim("sm-07", "m1", DISCOVERED, "front", Role.ACTIVE)], EPOCH_MS)
        compared = Agreement(CABLE, "sm-07", "m1", 0, "sw-03 g1/0/7", 902_000_000, 899_000_000, 0.0033, True, EPOCH_MS)
        agreements.keep(connection, [compared])
        finding = a_finding()
        findings.save(connection, 1, finding)
        findings.note(connection, finding.id, EPOCH_MS, "raised", "", "raised")
        deliveries.owe(connection, [Owed("m1", finding.id, "pager", "raised", "{}", EPOCH_MS)])
        deliveries.given_up(connection, "m1", NOW_MS, "answered 410")
        agents.note(
            connection, [a_polling("sm-07"), a_polling("sm-30", trouble="no answer", notes=("no high speeds",))]
        )
        predictions.keep(connection, a_prediction(made_ms=EPOCH_MS - 1))
        changes.keep(connection, a_change(), [(Place(1, EGRESS), "p1")])
        changes.freeze(connection, "c1", Place(1, EGRESS), Baseline(((EPOCH_MS - 60_000, EPOCH_MS),)))
        changes.tell(connection, changes.lines(connection, "c1")[0], a_verdict(), NOW_MS, final=True)
        close_looks.begin(connection, CloseLook(1, 5000, EPOCH_MS, NOW_MS + 60_000, "T. Haverly"))
    yield engine
    engine.dispose()


@pytest.fixture(scope="module")
def application(engine):
    return api.make(Services(engine=engine, now_ms=lambda: NOW_MS, open_on_loopback=False))


@pytest.fixture(scope="module")
def config(engine):
    with engine.begin() as connection:
        key = keys.make(connection, "schema", "admin", NOW_MS)
    return SchemathesisConfig.from_dict(
        {
            "headers": {"Authorization": f"Bearer {key}"},
            "generation": {"max-examples": EXAMPLES, "deterministic": True, "no-shrink": True, "database": "none"},
            "phases": {"stateful": {"enabled": False}},
        }
    )


@pytest.fixture(scope="module")
def schema(application, config):
    _narrow(application.openapi())
    return schemathesis.openapi.from_asgi("/openapi.json", application, config=config)


def _narrow(described):
    """Take out of a description what no schema can say.

    That is which cursors exist, that lists are of one length, what makes a text CSV or lines of JSON, which days there
    are, and what is a rule of RFC 5545 or a time zone.
    """
    quiet = described["components"]["schemas"]["NewQuietTime"]["properties"]
    quiet["begins"] = {"const": "2026-11-24T22:00"}
    quiet["recurrence"], quiet["zone"] = {"const": ""}, {"const": "UTC"}
    for ways in described["paths"].values():
        for operation in ways.values():
            operation["parameters"] = [one for one in operation.get("parameters", ()) if one["name"] != "cursor"]
    del described["paths"]["/v1/items"]["post"]["requestBody"]["content"]["text/csv"]
    forms = described["paths"]["/v1/samples"]["post"]["requestBody"]["content"]
    for form in [kind for kind in forms if kind != "application/json"]:
        del forms[form]
    batch = forms["application/json"]["schema"]
    [columns] = [form["properties"]["columns"] for form in batch["oneOf"] if "columns" in form["properties"]]
    for values in columns["properties"].values():
        values |= {"minItems": 1, "maxItems": 1}
    columns.pop("patternProperties", None)


@pytest.fixture(scope="module")
def run(schema):
    """What asking everything came to: requests by route, what was wrong, and what could not be asked."""
    asked, wrong, broken = Counter(), [], []
    for event in from_schema(schema).execute():
        if isinstance(event, events.ScenarioFinished | events.FuzzScenarioFinished):
            asked[event.recorder.label] += len(event.recorder.interactions)
            wrong += _failures(event.recorder)
        elif isinstance(event, events.NonFatalError):
            broken.append(f"{event.label}: {event.value}")
        elif isinstance(event, events.FatalError):
            broken.append(str(event.exception))
    return asked, wrong, broken


def _failures(recorder):
    for checks in recorder.checks.values():
        for check in checks:
            if check.failure_info is not None:
                failure = check.failure_info
                yield f"{recorder.label}, {check.name}: {failure.failure}\n{failure.code_sample}"


def parts_of(value):
    """Every object within a JSON value, itself first."""
    if isinstance(value, dict):
        yield value
    for below in value.values() if isinstance(value, dict) else value if isinstance(value, list) else ():
        yield from parts_of(below)


class TestForm:
    def test_is_openapi_3_1(self, application):
        described = application.openapi()

        assert described["openapi"].startswith("3.1.")
        schemathesis.openapi.from_dict(described).validate()

    def test_would_be_noticed_where_it_is_not(self, application):
        described = {**application.openapi(), "paths": {"/healthz": {"get": {"responses": []}}}}

        with pytest.raises(jsonschema_rs.ValidationError):
            schemathesis.openapi.from_dict(described).validate()

    def test_holds_schemas_that_are_schemas(self, application):
        schemas = application.openapi()["components"]["schemas"]

        assert schemas
        for schema in schemas.values():
            jsonschema_rs.meta.validate({"$schema": "https://json-schema.org/draft/2020-12/schema", **schema})

    def test_refers_to_nothing_that_is_not_there(self, application):
        described = application.openapi()
        referred = {part["$ref"] for part in parts_of(described) if isinstance(part.get("$ref"), str)}

        known = {f"#/components/schemas/{name}" for name in described["components"]["schemas"]}

        assert referred
        assert referred <= known

    def test_names_no_module_of_ours(self, application):
        assert not [name for name in application.openapi()["components"]["schemas"] if "__" in name]

    def test_gives_every_operation_a_name_of_its_own_and_words(self, application):
        operations = [one for ways in application.openapi()["paths"].values() for one in ways.values()]

        names = [one["operationId"] for one in operations]

        assert len(set(names)) == len(names)
        assert all(one["summary"] for one in operations)


class TestDescription:
    def test_is_kept_whatever_is_asked(self, run):
        _, wrong, broken = run

        assert not broken + wrong, "\n\n".join(broken + wrong)

    def test_is_held_against_many_requests_of_every_route(self, run, application):
        asked, _, _ = run
        paths = application.openapi()["paths"]

        assert set(asked) == {f"{method.upper()} {path}" for path, ways in paths.items() for method in ways}
        assert min(asked.values()) >= 2
        assert sum(asked.values()) >= 500

    def test_would_not_be_kept_by_a_route_that_answers_something_else(self, engine, config):
        application = api.make(Services(engine=engine, now_ms=lambda: NOW_MS, open_on_loopback=False))
        described = application.openapi()
        described["paths"] = {"/healthz": described["paths"]["/healthz"]}
        described["paths"]["/healthz"]["get"]["responses"]["200"]["content"]["application/json"]["schema"] = {
            "type": "array"
        }

        wrong = [
            failure
            for event in from_schema(
                schemathesis.openapi.from_asgi("/openapi.json", application, config=config)
            ).execute()
            if isinstance(event, events.ScenarioFinished | events.FuzzScenarioFinished)
            for failure in _failures(event.recorder)
        ]

        assert any("response_schema_conformance" in failure for failure in wrong)

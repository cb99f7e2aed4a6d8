from http import HTTPStatus

import psycopg
import pytest
import sqlalchemy
from web_examples import asked

from service import errors
from service.errors import (
    BadSignature,
    CrossSite,
    DatabaseNotReady,
    NoKey,
    NotFound,
    Overloaded,
    ServiceError,
    TooLarge,
    UnknownParameter,
    UnsupportedForm,
    UnusableInput,
    WrongQuestion,
    WrongRole,
    WrongState,
)
from service.web.refusals import STATUS, problem, status_of


class TestStatusOf:
    @pytest.mark.parametrize(
        ("failure", "status"),
        [
            (UnusableInput("body", "is empty"), 400),
            (TooLarge("body", "is large"), 413),
            (UnsupportedForm("body", "is odd"), 415),
            (WrongQuestion("limit", "is odd"), 400),
            (UnknownParameter("sate", ("state",)), 400),
            (NoKey(), 401),
            (BadSignature("is odd"), 401),
            (WrongRole("view", "operate"), 403),
            (CrossSite("is odd"), 403),
            (NotFound("team", "9"), 404),
            (WrongState("is closed"), 409),
            (DatabaseNotReady("is away"), 503),
            (Overloaded("pushes", 16), 503),
            (ServiceError("whatever"), 500),
            (RuntimeError("whatever"), 500),
        ],
    )
    def test_is_that_of_the_nearest_class(self, failure, status):
        assert status_of(failure) == status

    def test_table_names_only_errors_that_there_are(self):
        assert all(getattr(errors, kind.__name__) is kind for kind in STATUS)


class TestHold:
    @pytest.mark.parametrize(
        "failure",
        [
            psycopg.OperationalError("s3cr3t-Zeta"),
            psycopg.errors.AdminShutdown("s3cr3t-Zeta"),
            psycopg.InterfaceError("s3cr3t-Zeta"),
            sqlalchemy.exc.OperationalError("SELECT 1", {}, Exception("s3cr3t-Zeta")),
            sqlalchemy.exc.InterfaceError("SELECT 1", {}, Exception("s3cr3t-Zeta")),
            sqlalchemy.exc.TimeoutError("s3cr3t-Zeta"),
            DatabaseNotReady("s3cr3t-Zeta"),
        ],
        ids=lambda failure: type(failure).__name__,
    )
    def test_says_to_come_back_however_the_database_went_away(self, sqlite_engine, failure):
        def gone():
            raise failure

        answer = asked(sqlite_engine, now_ms=gone).get("/v1/teams/1/windows")

        assert answer.status_code == 503
        assert int(answer.headers["retry-after"]) > 0
        assert "Zeta" not in answer.text


class TestProblem:
    # RFC 9457, sections 3 and 4.2.1: members type, title, status, detail; about:blank has the phrase of the status.
    def test_has_the_members_of_a_problem_document(self):
        import json

        answer = problem(404, "there is no team '9'")

        assert answer.media_type == "application/problem+json"
        assert json.loads(answer.body) == {
            "type": "about:blank",
            "title": HTTPStatus.NOT_FOUND.phrase,
            "status": 404,
            "detail": "there is no team '9'",
        }

    def test_says_when_to_come_back(self):
        assert int(problem(503, "away").headers["retry-after"]) > 0

    def test_says_how_to_show_a_key(self):
        # RFC 9110, section 15.5.2: a 401 comes with a challenge.
        assert problem(401, "no key").headers["www-authenticate"] == "Bearer"

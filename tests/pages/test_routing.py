import pytest
from web_examples import asked

from service.errors import Overloaded, WrongQuestion
from service.pages import routing, site


@pytest.fixture
def http(sqlite_engine):
    router = routing.router()

    @router.get("/many")
    def many():
        raise Overloaded("pages <b>here</b>", 3)

    @router.get("/wrong")
    def wrong():
        raise WrongQuestion("port", "is <img src=x>")

    @router.get("/number")
    def number(of: int):
        return of

    @router.get("/broken")
    def broken():
        raise ValueError("a fault of ours")

    http = asked(sqlite_engine)
    site.add(http.app)
    http.app.include_router(router)
    return http


def is_page(answer):
    return answer.headers["content-type"].startswith("text/html") and "<h1" in answer.text


class TestPageRoute:
    @pytest.mark.parametrize(
        ("address", "status"), [("/many", 503), ("/wrong", 400), ("/number", 400), ("/number?of=x", 400)]
    )
    def test_tells_what_is_refused_as_a_page(self, http, address, status):
        answer = http.get(address)

        assert answer.status_code == status
        assert is_page(answer)

    def test_says_when_to_come_back(self, http):
        # RFC 9110 section 10.2.3.
        assert int(http.get("/many").headers["retry-after"]) > 0

    @pytest.mark.parametrize("address", ["/many", "/wrong"])
    def test_keeps_foreign_words_as_text(self, http, address):
        text = http.get(address).text

        assert "<img" not in text
        assert "<b>here" not in text

    def test_refuses_a_parameter_that_no_page_knows(self, http):
        assert http.get("/number?of=1&off=2").status_code == 400

    def test_tells_nothing_of_a_fault_of_ours(self, http):
        answer = http.get("/broken")

        assert answer.status_code == 500
        assert "a fault of ours" not in answer.text


class TestRouter:
    def test_is_no_part_of_what_programs_are_told(self, http):
        paths = http.get("/openapi.json").json()["paths"]

        assert "/number" not in paths
        assert "/teams" not in paths


class TestDone:
    def test_leads_to_a_page_with_a_question_of_its_own(self):
        # RFC 9110 section 15.4.4: whatever was sent, 303 is followed by a GET.
        answer = routing.done("/changes/3")

        assert (answer.status_code, answer.headers["location"]) == (303, "/changes/3")

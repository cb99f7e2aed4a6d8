import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.errors import UnusableTemplate
from service.webhooks import envelope, grouped, trying
from service.webhooks.forms import FILTERS, MOST_SOURCE, NAMES, Form, values_of

RAISED = envelope.event_of(envelope.example_body("raised"))
CHAT = '{"text": {{ text|tojson }}, "thread": {{ finding.id|tojson }}}'
TICKET = """{"title": {{ title|tojson }}, "urgent": {{ "true" if finding.severity == "major" else "false" }},
"members": [{% for member in finding.members %}{{ member.port|tojson }}{% if not loop.last %}, {% endif %}{% endfor %}],
"busiest": {{ finding.peak|per_cent|tojson }}}"""


class TestBodyOf:
    def test_puts_values_where_a_chat_wants_them(self):
        told = json.loads(Form(CHAT).body_of(RAISED))

        assert told == {"text": RAISED["data"]["text"], "thread": RAISED["subject"]}

    def test_goes_through_lists_and_asks(self):
        told = json.loads(Form(TICKET).body_of(RAISED))

        assert told == {
            "title": RAISED["data"]["text"].split("\n")[0],
            "urgent": False,
            "members": ["m1", "m2"],
            "busiest": "93 %",
        }

    def test_may_be_other_text_than_json(self):
        form = Form("title={{ title|urlencode }}", "application/x-www-form-urlencoded")

        assert form.body_of(RAISED).startswith(b"title=sm-07%2C%20team%20front%2C%20egress")

    @pytest.mark.parametrize("event", [RAISED, grouped.example(), trying.event("chat", "test-1", 0)])
    def test_makes_a_body_of_each_sort_of_message(self, event):
        assert json.loads(Form('{"text": {{ text|tojson }}, "of": {{ finding.id|tojson }}}').body_of(event))

    @given(st.text())
    def test_quotes_whatever_a_stranger_called_his_port(self, text):
        event = {**RAISED, "data": {**RAISED["data"], "text": text}}

        assert json.loads(Form(CHAT).body_of(event))["text"] == text.encode("utf-8", "replace").decode()

    def test_refuses_what_is_not_the_json_that_it_says(self):
        with pytest.raises(UnusableTemplate, match="not JSON"):
            Form('{"text": "{{ text }}"}').body_of(RAISED)

    def test_refuses_to_make_a_large_body(self):
        with pytest.raises(UnusableTemplate, match="octets"):
            Form("{{ text }}" * 400, "text/plain").body_of(RAISED)

    def test_says_nothing_of_what_a_message_does_not_have(self):
        assert Form("<{{ finding.nothing.more }}>", "text/plain").body_of(RAISED) == b"<>"


# What a template could reach or spend in a language without bounds; the first are the usual ways out of a sandbox,
# from memory.
FORBIDDEN = [
    "{{ ''.__class__.__mro__[1].__subclasses__() }}",
    "{{ text.upper() }}",
    "{{ cycler('a') }}",
    "{{ text|attr('upper') }}",
    "{{ text|format(1) }}",
    "{{ text * 1000000 }}",
    "{{ 2 ** 1000000000 }}",
    "{{ text ~ text }}",
    "{{ text|center(100000000) }}",
    "{% for n in range(10) %}x{% endfor %}",
    "{% for n in 'aaaa' %}x{% endfor %}",
    "{% for a in lines %}{% for b in lines %}{% for c in lines %}x{% endfor %}{% endfor %}{% endfor %}",
    "{% for a in lines recursive %}{{ loop(lines) }}{% endfor %}",
    "{% set a = text %}",
    "{% macro a() %}{% endmacro %}",
    "{% import 'a' as b %}",
    "{% include 'a' %}",
    "{% extends 'a' %}",
    "{% block a %}{% endblock %}",
    "{% filter upper %}x{% endfilter %}",
    "{% raw %}x{% endraw %}{{ x() }}",
    "{{ text is defined }}",
    "{{ text[0:1000] }}",
    "{{ ",
    "{% if %}",
]


class TestForm:
    @pytest.mark.parametrize("template", FORBIDDEN)
    def test_refuses_what_a_template_has_no_business_with(self, template):
        with pytest.raises(UnusableTemplate):
            Form(template, "text/plain").body_of(RAISED)

    def test_shows_nothing_of_python(self):
        shown = Form("{{ text.__class__ }}{{ finding.__init__ }}{{ finding.items }}{{ lines.append }}", "text/plain")

        assert shown.body_of(RAISED) == b""

    def test_refuses_a_template_that_is_too_long(self):
        with pytest.raises(UnusableTemplate, match="letters"):
            Form("x" * (MOST_SOURCE + 1))

    def test_is_refused_when_it_is_made_and_not_at_night(self):
        with pytest.raises(UnusableTemplate):
            Form("{{ text.upper() }}")

    @pytest.mark.parametrize("name", FILTERS)
    def test_knows_its_filters(self, name):
        form = Form(f"{{{{ lines|{name} }}}}" if name != "round" else "{{ finding.peak|round }}", "text/plain")

        assert form.body_of(RAISED)

    def test_refuses_a_name_that_means_nothing(self):
        with pytest.raises(UnusableTemplate, match="'txt'"):
            Form("{{ txt|tojson }}")

    def test_names_what_it_says_it_does(self):
        assert tuple(values_of(RAISED)) == NAMES

    def test_names_plain_values_only(self):
        def plain(value):
            if isinstance(value, dict):
                return all(plain(one) for one in value.values())
            if isinstance(value, list):
                return all(map(plain, value))
            return value is None or type(value) in (str, int, float, bool)

        assert plain(values_of(RAISED))

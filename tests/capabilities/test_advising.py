"""What could be done, side by side: odds, prerequisites, refusals; a sheet for change control; nothing that acts."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest
from advice_examples import BROKEN, a_situation, virtual_ports
from rules.advice.test_sheet import CASES, HEADINGS, lines_of, sheet_of

from service.rules.advice import written
from service.rules.advice.advising import advised
from service.rules.advice.methods import WAYS
from service.terms import Diagnosis, Sure
from service.web.api import ABOUT

SERVICE = Path(__file__).resolve().parents[2] / "service"
MODULES = sorted(SERVICE.rglob("*.py"))
STREAMS = {"night-copy": 8, "scan-index": 6}
ONE = Diagnosis("one-conversation", Sure.PROBABLE, "one conversation fills m1", ("m1",))


def options_of(situation, **how):
    return {option.name: option for option in advised(situation, **how).options}


def success(option):
    return option.chances[0].success


class TestAdv1AllOptions:
    """430, 390, 60 and 40 Mbit/s on member 1 and 20 besides on member 2, of 2 x 1 Gbit/s; all placements counted."""

    def test_leaving_it_clears_nothing(self):
        assert success(options_of(a_situation())["leave"]) == 0.0

    @pytest.mark.parametrize("method", ["source-mac", "virtual-port", "ip-pair"])
    def test_a_re_draw_has_half_a_chance(self, method):
        assert success(options_of(a_situation())[method]) == 0.5

    def test_layer_4_with_8_and_6_streams_has_985_in_1000_if_the_far_end_has_a_bundle(self):
        built = options_of(a_situation(bundle="lacp", method="ip-pair"), streams=STREAMS)["layer4-tuple"]
        unbuilt = options_of(a_situation(), streams=STREAMS)["layer4-tuple"]

        assert success(built) == success(unbuilt) == pytest.approx(0.985, abs=0.0005)
        assert not built.refused
        assert unbuilt.refused
        assert unbuilt.expected.endswith("if the far end had a matching bundle")

    def test_layer_4_takes_the_streams_that_were_counted(self):
        items = virtual_ports(night_copy=8, scan_index=6)

        assert success(options_of(a_situation(items=items))["layer4-tuple"]) == pytest.approx(0.985, abs=0.0005)

    def test_placement_by_load_clears_it_with_one_move(self):
        option = options_of(a_situation())["load-aware"]

        assert option.fits
        assert "one move" in option.expected
        assert "49/45 or 53/41" in option.expected

    def test_all_are_on_one_page(self):
        page = written.of_advice(advised(a_situation(), streams=STREAMS), "sm-07, team front")

        for name in (*WAYS, "leave", "add-capacity", "mend"):
            assert f"({name})" in page
        assert "50 % chance" in page
        assert "98.5 % chance" in page
        assert "Evenly split all would be at 47 %" in page


class TestAdv2Pairs:
    """Common practice, no source: an address on two separate ports moves between them; IEEE 802.1AX for bundles."""

    @pytest.mark.parametrize("method", ["ip-pair", "layer4-tuple"])
    def test_needs_a_matching_bundle_at_the_far_end(self, method):
        assert "needs a matching bundle at the far end" in options_of(a_situation())[method].refused

    @pytest.mark.parametrize("bundle", ["static", "lacp"])
    @pytest.mark.parametrize("method", ["virtual-port", "source-mac", "load-aware"])
    def test_must_not_face_a_bundle(self, method, bundle):
        assert options_of(a_situation(bundle=bundle, method="ip-pair"))[method].refused

    def test_prerequisites_are_of_both_ends(self):
        for option in options_of(a_situation()).values():
            if option.name in WAYS:
                assert {told.split(":")[0] for told in option.prerequisites} == {"Host", "Far end"}


class TestAdv6NoMethodHelps:
    def test_one_conversation_at_line_rate(self):
        situation = a_situation((0.987, 0.02), before=(0.02, 0.02), items=())
        advice = advised(situation, diagnoses=(ONE,))

        assert all(success(option) == 0.0 for option in advice.options if option.name in WAYS)
        assert advice.line.startswith("No method helps")
        for word in ("Split", "shape", "schedule", "faster member"):
            assert word in advice.line

    def test_three_of_four_members_full(self):
        advice = advised(a_situation((0.97, 0.96, 0.95, 0.18), items=()))

        assert advice.even_split == pytest.approx(0.765)
        assert advice.line.startswith("Capacity first: evenly split all would be at 76 %")


class TestAdv7Squeezed:
    """A member at 98.5 % beside one at 1.5 %: what conversations want beyond the ceiling nobody reads."""

    def test_says_that_conversations_may_grow(self):
        advice = advised(a_situation((0.985, 0.015), items=virtual_ports({"a": 500, "b": 485})))

        assert any("Conversations are squeezed" in told and "each may grow" in told for told in advice.warnings)

    def test_gives_the_odds_for_half_as_much_again_and_twice_the_demand(self):
        # 300 + 300 + 385: any two are within the line of 750 now; 450 + 450 and 600 + 600 never are.
        items = virtual_ports({"a": 300, "b": 300, "c": 385})
        option = options_of(a_situation((0.985, 0.015), items=items))["virtual-port"]

        assert [(chance.demand, chance.success) for chance in option.chances] == [(1.0, 0.75), (1.5, 0.0), (2.0, 0.0)]
        assert option.expected == (
            "75 % chance that no member exceeds 75 % (0 % at 1.5 times the demand, 0 % at 2 times the demand)"
        )


class TestIngressOnABundle:
    """Uneven ingress behind a bundle: 91 and 3 % in; each end distributes what it sends (IEEE 802.1AX)."""

    def test_gives_no_method_of_the_host_any_chance(self):
        situation = a_situation((0.91, 0.03), direction="ingress", bundle="lacp", method="layer4-tuple", speed=10**10)
        advice = advised(situation)

        assert all(success(option) == 0.0 for option in advice.options if option.name in WAYS)
        assert "changing the host's method will not change this" in advice.line
        assert advice.even_split == pytest.approx(0.47)


class TestGuard:
    def test_prints_no_advice_that_sends_load_to_a_broken_member(self):
        found = options_of(a_situation(why_not=(0, BROKEN)))

        assert [name for name, option in found.items() if not option.refused] == ["leave", "mend"]


# Libraries and calls by which a program runs commands or writes to devices.
ACTING = {"subprocess", "pty", "telnetlib", "paramiko", "asyncssh", "fabric", "ncclient"}
WRITING = re.compile(
    r"\b(set_?cmd|set_?request(pdu)?|set_many|snmp_?set|RTM_(NEW|SET|DEL)\w+|edit_config)\b", re.IGNORECASE
)
PASTED = re.compile(r"[`$#<>=|]|--\w|\bsudo\b|/(etc|sys|proc)/|\bno shutdown\b|\w\(\)")


STARTING = re.compile(r"os\.(system|popen|exec|spawn)")


def imported(path):
    """The first names of what a module imports, wherever in it."""
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    plain = [alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names]
    named = [node.module or "" for node in nodes if isinstance(node, ast.ImportFrom)]
    return {name.split(".")[0] for name in (*plain, *named)}


class TestAct1NeverActs:
    def test_no_module_runs_a_command(self):
        # But for PostgreSQL's own two programs that copy a database; tests/test_layers.py holds that it stays at those.
        acting = [path.relative_to(SERVICE).as_posix() for path in MODULES if imported(path) & ACTING]

        assert acting == ["storage/backups.py"]
        assert not [path for path in MODULES if STARTING.search(path.read_text(encoding="utf-8"))]

    def test_no_module_has_a_verb_that_writes_to_a_device(self):
        assert not [path for path in MODULES if WRITING.search(path.read_text(encoding="utf-8"))]

    def test_this_would_be_found(self):
        assert len(MODULES) > 100
        assert {"subprocess"} <= imported(Path(__file__).resolve().parents[1] / "benchmarks" / "run.py")
        assert WRITING.search("session.set_cmd(oid, value)")
        assert WRITING.search("SetRequestPDU()")
        assert PASTED.search("run: tool --force")

    @pytest.mark.parametrize("option", CASES)
    def test_a_sheet_holds_nothing_to_paste(self, option):
        found = sheet_of(option, **CASES[option])

        assert not [line for section in found.sections for line in section.lines if PASTED.search(line)]

    def test_what_describes_the_service_says_that_it_only_advises(self):
        assert "never changes a device" in ABOUT
        assert "Advice only" in "".join(advised(a_situation()).cautions)


class TestAct2ChangeSheet:
    def test_of_the_demo_team_has_headings_odds_back_out_and_owners(self):
        found = sheet_of("virtual-port")
        text = written.of_sheet(found)

        assert tuple(section.heading for section in found.sections) == HEADINGS
        assert success(options_of(a_situation())["virtual-port"]) == 0.50
        assert "50 % chance" in "\n".join(lines_of(found, "Expected effect and odds"))
        assert "member loss or discards above 1e-4 for 2 windows" in text
        assert "Virtualisation, for the host's end" in text
        assert "Network, for the far end" in text

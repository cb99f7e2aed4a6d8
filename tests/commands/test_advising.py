"""`lopside advice` on files and on the database."""

from __future__ import annotations

import json

import pytest
from advice_examples import ITEMS
from examples import EPOCH_MS
from walks.traffic import polls

from service import app
from service.evaluation import Evaluator, Policy
from service.storage import database, findings
from service.terms import Rule

STATED = [argument for name, mbit in ITEMS.items() for argument in ("--item", f"{name}={mbit}M@m1")]
COLUMNS = ("time", "device", "port", "team", "speed_bps", "out_octets", "out_packets", "in_octets", "in_packets")


@pytest.fixture
def counters(tmp_path):
    """A counter file of a team whose far end has no bundle."""

    def written(*stretches, name="counters.csv", bundle="none", device="sm-07"):
        file = tmp_path / name
        lines = [",".join((*COLUMNS, "method", "bundle"))]
        lines += [
            ",".join((*(str(sample[column]) for column in COLUMNS), "virtual-port", bundle))
            for sample in polls(*stretches, device=device)
        ]
        file.write_text("\n".join(lines) + "\n")
        return file

    return written


@pytest.fixture
def uneven(counters):
    return counters((6, (0.92, 0.02)))


class TestOfFiles:
    def test_gives_every_option_on_one_page(self, lopside, uneven):
        said = lopside("advice", "--file", uneven, *STATED)

        assert said.exit_code == 0
        assert said.output.startswith("sm-07, team front, egress: m1 at 92 %, m2 at 2 % (uneven)\n")
        assert "Load-aware placement would clear it (49/45 or 53/41)" in said.output
        assert "(virtual-port): 50 % chance" in said.output
        assert "Refused: needs a matching bundle" in said.output

    def test_takes_streams_that_are_stated(self, lopside, uneven):
        said = lopside(
            "advice", "--file", uneven, *STATED, "--streams", "night-copy=8", "--streams", "scan-index=6", "--json"
        )

        told = json.loads(said.output)
        (option,) = [option for option in told["options"] if option["name"] == "layer4-tuple"]
        assert option["chances"][0]["success"] == pytest.approx(0.985, abs=0.0005)

    def test_writes_a_change_sheet(self, lopside, uneven):
        said = lopside("advice", "--file", uneven, *STATED, "--option", "virtual-port")

        assert said.output.startswith("Change sheet: sm-07, team front")
        assert "member loss or discards above 1e-4 for 2 windows" in said.output

    def test_refuses_the_sheet_of_what_must_not_be_done(self, lopside, uneven):
        said = lopside("advice", "--file", uneven, "--option", "layer4-tuple")

        assert said.exit_code == 2
        assert "needs a matching bundle" in said.stderr

    def test_says_so_where_nothing_was_raised(self, lopside, counters):
        said = lopside("advice", "--file", counters((6, (0.40, 0.38))))

        assert said.exit_code == 0
        assert "nothing to advise on" in said.stderr

    def test_asks_which_team_an_item_is_of(self, lopside, counters, uneven):
        other = counters((6, (0.92, 0.02)), name="other.csv", device="sm-08")

        doubtful = lopside("advice", "--file", uneven, "--file", other, *STATED)
        clear = lopside("advice", "--file", uneven, "--file", other, *STATED, "--team", "sm-08/front")

        assert doubtful.exit_code == 2
        assert "name one by --team and --direction" in doubtful.stderr
        assert clear.output.startswith("sm-08, team front")

    @pytest.mark.parametrize("item", ["night-copy", "night-copy=430M", "night-copy=fast@m1", "=430M@m1", "a=1M@m9"])
    def test_refuses_an_item_that_is_none(self, lopside, uneven, item):
        said = lopside("advice", "--file", uneven, "--item", item)

        assert said.exit_code == 2
        assert "--item" in said.stderr


class TestOfTheDatabase:
    @pytest.fixture
    def finding(self, settings_file, lopside, uneven, monkeypatch):
        monkeypatch.setattr(app, "now_ms", lambda: EPOCH_MS + 10 * 60_000)  # older samples are refused
        assert lopside("import", uneven).exit_code == 0
        engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
        Evaluator(engine, Policy(lambda _device, _team: Rule())).run(EPOCH_MS + 10 * 60_000)
        with database.reading(engine) as connection:
            (kept,) = findings.listing(connection).items
        engine.dispose()
        return kept.finding.id

    def test_is_by_the_id_of_a_finding(self, lopside, finding):
        said = lopside("advice", finding)

        assert said.exit_code == 0
        assert said.output.startswith("sm-07, team front, egress: m1 at 92 %")

    def test_knows_no_other_finding(self, lopside, finding):
        said = lopside("advice", "f0")

        assert said.exit_code == 2
        assert "f0" in said.stderr


class TestArguments:
    @pytest.mark.parametrize(
        "arguments",
        [(), ("f1", "--file", "x.csv"), ("f1", "--team", "sm-07/front"), ("f1", "--item", "a=1M@m1")],
    )
    def test_must_name_either_a_finding_or_files(self, lopside, arguments):
        assert lopside("advice", *arguments).exit_code == 2

import httpx
import pytest
from sqlalchemy import func, select

from service import app
from service.commands.imported import Service, bodies, into_service
from service.errors import ServiceError, WrongSetting
from service.storage import database, tables

HEADER = "time,device,port,team,speed_bps,out_octets,in_octets"


@pytest.fixture
def counter_file(tmp_path):
    def written(rows, header=HEADER, name="counters.csv"):
        file = tmp_path / name
        file.write_text("\n".join([header, *rows]) + "\n")
        return file

    return written


def rows_ending_now(count, step_s=15):
    last = app.now_ms() // 1000 - 30
    return [f"{last - step_s * (count - 1 - n)},sm-07,m1,front,1000000000,{n * 1000},{n * 10}" for n in range(count)]


@pytest.fixture
def samples_kept(settings_file):
    def count():
        engine = database.open(f"sqlite:///{settings_file.parent}/lopside.sqlite")
        with engine.connect() as connection:
            found = connection.execute(select(func.count()).select_from(tables.samples)).scalar()
        engine.dispose()
        return found

    return count


class TestImport:
    def test_takes_what_is_good_and_lists_what_is_not_by_line_and_reason(self, lopside, counter_file, samples_kept):
        rows = rows_ending_now(40)
        rows[3] = rows[3].replace(",3000,", ",-3000,")
        rows[10] = "noon" + rows[10][10:]
        rows[20] = rows[20].replace(",front,", ",,").replace("m1", "m9")

        told = lopside("import", counter_file(rows))

        assert told.exit_code == 1
        assert "37 accepted, 0 duplicates, 3 rejected" in told.stdout
        assert [line.split("line ")[1].split(":")[0] for line in told.stderr.splitlines()] == ["5", "12", "22"]
        assert samples_kept() == 37

    def test_adds_nothing_the_second_time(self, lopside, counter_file, samples_kept):
        file = counter_file(rows_ending_now(40))
        lopside("import", file)

        told = lopside("import", file)

        assert (told.exit_code, samples_kept()) == (0, 40)
        assert "0 accepted, 40 duplicates, 0 rejected" in told.stdout

    def test_keeps_nothing_in_a_dry_run_and_says_the_same(self, lopside, counter_file, samples_kept):
        told = lopside("import", "--dry-run", counter_file(rows_ending_now(40)))

        assert (told.exit_code, samples_kept()) == (0, 0)
        assert "40 accepted, 0 duplicates, 0 rejected (dry run: nothing was kept)" in told.stdout

    def test_refuses_a_file_without_a_header_it_knows(self, lopside, counter_file, settings_file):
        told = lopside("import", counter_file(["1,2"], header="when,what"))

        assert told.exit_code == 2
        assert "line 1" in told.stderr

    def test_has_a_running_service_read_files_by_its_own_rules(self, lopside, counter_file):
        told = lopside("import", counter_file([]), "--to", "http://127.0.0.1:1", "--dry-run")

        assert (told.exit_code, "leave out" in told.stderr) == (2, True)

    def test_says_when_nobody_answers(self, lopside, counter_file):
        told = lopside("import", counter_file(rows_ending_now(2)), "--to", "http://127.0.0.1:1")

        assert (told.exit_code, "could not be reached" in told.stderr) == (2, True)


def answering(status, told):
    seen = []

    def answer(request):
        seen.append(request)
        return httpx.Response(status, json=told)

    return seen, httpx.MockTransport(answer)


class TestIntoService:
    def test_pushes_the_lines_with_the_key_and_names_lines_of_the_file(self, counter_file):
        file = counter_file(["#", "a,b"], header="# export of a\n\n" + HEADER)
        refused = [{"index": 3, "reason": "no"}]
        seen, transport = answering(200, {"accepted": 1, "duplicates": 2, "rejected": refused})

        taken = into_service(Service("http://here", "k3y"), file, transport)

        assert (taken.accepted, taken.duplicates) == (1, 2)
        # The header is the file's third line, so that the push's third line is the file's fifth.
        assert [reject.index for reject in taken.rejected] == [5]
        assert seen[0].headers["authorization"] == "Bearer k3y"
        assert seen[0].headers["content-type"] == "text/csv"
        assert seen[0].url == "http://here/v1/samples"

    def test_says_what_the_service_refused(self, counter_file):
        _, transport = answering(403, {"title": "Forbidden", "detail": "a key with the role 'view' may not do this"})

        with pytest.raises(ServiceError, match="answered 403: a key with the role 'view' may not do this"):
            into_service(Service("http://here"), counter_file(["x"]), transport)

    def test_takes_the_key_from_the_environment_only(self, monkeypatch):
        monkeypatch.delenv("FEED_KEY", raising=False)

        with pytest.raises(WrongSetting, match="the environment has no FEED_KEY"):
            Service.at("http://here", "FEED_KEY")

    @pytest.mark.parametrize("url", ["here", "http://", "http://[::1", "ftp://here"])
    def test_refuses_what_is_no_url(self, url):
        with pytest.raises(WrongSetting, match="is not a URL"):
            Service.at(url, None)

    @pytest.mark.parametrize("key", ["s3cr3t\nZeta", "s3cr3t-Zéta"])
    def test_refuses_a_key_that_no_header_can_hold_without_repeating_it(self, monkeypatch, key):
        monkeypatch.setenv("FEED_KEY", key)

        with pytest.raises(WrongSetting, match="what FEED_KEY holds is no key") as refused:
            Service.at("http://here", "FEED_KEY")

        assert "s3cr3t" not in str(refused.value)

    def test_takes_a_key_with_the_end_of_its_line(self, monkeypatch):
        monkeypatch.setenv("FEED_KEY", "k3y\n")

        assert Service.at("http://here", "FEED_KEY").key == "k3y"

    @pytest.mark.parametrize("told", [{"ok": True}, [], "hello"])
    def test_says_when_something_else_answers(self, counter_file, told):
        _, transport = answering(200, told)

        with pytest.raises(ServiceError, match="what answers at http://here is not lopside"):
            into_service(Service("http://here"), counter_file(["x"]), transport)


class TestBodies:
    def test_each_begin_with_the_header(self, counter_file):
        file = counter_file([f"{n}" for n in range(25_000)])

        pieces = list(bodies(file))

        assert {body.split(b"\n")[0] for body, _ in pieces} == {HEADER.encode()}
        assert [first for _, first in pieces] == [2, 10_002, 20_002]
        assert sum(body.count(b"\n") - 1 for body, _ in pieces) == 25_000

import gzip
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from fleet_examples import END_MS, finding_of, keep_fleet
from web_examples import asked

from service.evaluation import Policy
from service.pages import site, static_files
from service.pages.rendering import HERE, STATIC, static_address
from service.terms import Rule

TOP = Path(__file__).parents[2]
LOADED = re.compile(r'(?:href|src)="(/static/[^"]+)"')
PARTS = ("templates", "static", "cases")
MOST_BYTES = 150_000


@pytest.fixture
def http(sqlite_engine):
    http = asked(sqlite_engine, now_ms=lambda: END_MS, policy=Policy(lambda _device, _team: Rule()))
    site.add(http.app)
    return http


class TestFile:
    @pytest.mark.parametrize("name", sorted(static_files.NAMES))
    def test_is_given_to_everybody_as_what_it_is(self, http, name):
        answer = http.get(static_address(name))

        assert (answer.status_code, answer.content) == (200, (STATIC / name).read_bytes())
        # Without it a browser guesses from the content (WHATWG MIME Sniffing, section 7).
        assert answer.headers["content-type"].startswith(static_files.TYPES[Path(name).suffix])
        assert "immutable" in answer.headers["cache-control"]  # RFC 8246

    @pytest.mark.parametrize("name", ["none.css", "../rendering.py", "%2e%2e/rendering.py", "..%2frendering.py", ""])
    def test_is_one_of_ours_or_none(self, http, name):
        assert http.get(f"/static/{name}").status_code == 404

    def test_asks_nobody_else_for_anything(self):
        told = "\n".join((STATIC / name).read_text() for name in static_files.NAMES if name.endswith(".css"))

        assert "@import" not in told
        assert not re.search(r"url\(\s*['\"]?(?:https?:)?//", told)


class TestWeight:
    @pytest.mark.parametrize(
        "address",
        ["/", "/teams", "/sources", "/changes", "/week", "/teams/1", "/teams/1/lab", f"/findings/{finding_of(0)}"],
    )
    def test_is_below_150_kb_with_all_that_a_page_loads(self, http, sqlite_engine, address):
        keep_fleet(sqlite_engine, 120, 60)

        answer = http.get(address)
        assert answer.status_code == 200
        loaded = [answer.content, *(http.get(one).content for one in set(LOADED.findall(answer.text)))]
        assert len(loaded) > 1
        assert sum(len(gzip.compress(one)) for one in loaded) < MOST_BYTES


class TestWheel:
    def test_takes_every_template_and_all_that_pages_load(self):
        # Hatch packs all files of a package but those that git is told to ignore (its documentation, "File selection").
        told = tomllib.loads((TOP / "pyproject.toml").read_text())["tool"]["hatch"]["build"]
        assert told["targets"]["wheel"]["packages"] == ["service"]
        assert not {"exclude", "include", "only-include", "only-packages"} & {*told, *told["targets"]["wheel"]}

        named = [str(path.relative_to(TOP)) for part in PARTS for path in (HERE / part).rglob("*") if path.is_file()]
        ignored = subprocess.run(
            ["git", "check-ignore", "--no-index", *named], cwd=TOP, capture_output=True, text=True, check=False
        )
        assert len(named) > len(static_files.NAMES)
        assert (ignored.returncode, ignored.stdout) == (1, "")

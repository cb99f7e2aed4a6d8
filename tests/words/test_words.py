"""Every setting, rule value, kind and command is described; no committed file says what it should not."""

import re
import shutil
import subprocess
import tomllib
from pathlib import Path

import click
import pytest

from service.cli import cli
from service.settings import collecting, recording, sections
from service.settings.mappings import Mapping
from service.settings.reading import Settings, read
from service.settings.routing import routes_of
from service.storage.keys import ROLES
from service.terms import BUNDLES, KIND_WORDS, METHODS, Severity

TOP = Path(__file__).resolve().parents[2]
EXAMPLE = TOP / "deploy" / "settings.example.toml"
LISTS = {
    "teams": sections.Team,
    "ports": sections.Port,
    "routes": sections.Route,
    "mappings": Mapping,
    "credentials": collecting.Credentials,
    "agents": collecting.Agent,
    "exporters": recording.Exporter,
}


def text_of(*names: str) -> str:
    return "\n".join((TOP / name).read_text(encoding="utf-8") for name in names)


def is_told(word: str, text: str) -> bool:
    return re.search(rf"(?<![\w-]){re.escape(word)}(?![\w-])", text) is not None


def settings_keys() -> list[tuple[str, str]]:
    found = []
    for section, field in Settings.model_fields.items():
        model = LISTS.get(section) or field.annotation
        found += [(section, key) for key in model.model_fields]
    return found


def commands(group: click.Group = cli, before: str = "lopside") -> list[str]:
    found = []
    for name, command in group.commands.items():
        whole = f"{before} {name}"
        found += commands(command, whole) if isinstance(command, click.Group) else [whole]
    return found


class TestReadme:
    @pytest.mark.parametrize("kind", KIND_WORDS[1:])
    def test_describes_every_kind(self, kind):
        assert f"`{kind}`" in text_of("README.md")

    @pytest.mark.parametrize("severity", list(Severity))
    def test_describes_every_severity(self, severity):
        assert f"`{severity}`" in text_of("README.md")

    @pytest.mark.parametrize("command", commands())
    def test_describes_every_command(self, command):
        assert is_told(command, text_of("README.md", "deploy/README.md"))

    @pytest.mark.parametrize("role", ROLES)
    def test_describes_every_role(self, role):
        assert f"`{role}`" in text_of("README.md", "deploy/README.md")

    @pytest.mark.parametrize("value", [*METHODS, *BUNDLES])
    def test_names_every_method_and_bundle(self, value):
        assert f"`{value}`" in text_of("README.md", "deploy/README.md")

    @pytest.mark.parametrize("value", sections.Rules.model_fields)
    def test_describes_every_rule_value(self, value):
        assert f"`{value}`" in text_of("README.md", "deploy/README.md")


class TestDevelopers:
    @pytest.mark.parametrize(
        "part",
        sorted({p.relative_to(TOP / "service").parts[0].removesuffix(".py") for p in TOP.glob("service/[a-z]*")}),
    )
    def test_place_every_part_on_the_map(self, part):
        assert is_told(part, text_of("DEVELOPERS.md"))


def places_named():
    """Places in tests that DEVELOPERS.md says hold something; one that begins with colons is of the file before it."""
    found, file = [], ""
    for name in re.findall(r"`((?:tests/[\w/.-]+)?(?:::\w+)*)`", text_of("DEVELOPERS.md")):
        path, *within = name.split("::")
        file = path or file
        if file:
            found.append((file, *within))
    return sorted(set(found))


class TestHeldBy:
    @pytest.mark.parametrize("named", places_named(), ids="::".join)
    def test_names_tests_that_are_there(self, named):
        file, *within = named
        place = TOP / file

        assert place.exists()
        text = place.read_text(encoding="utf-8") if place.is_file() else ""
        assert all(re.search(rf"(class|def) {name}\b", text) for name in within)


class TestExample:
    @pytest.mark.parametrize(("section", "key"), settings_keys(), ids="-".join)
    def test_shows_every_setting_with_its_section(self, section, key):
        text = EXAMPLE.read_text(encoding="utf-8")
        part = re.split(r"^#? ?\[\[?(\w+)\]\]?$", text, flags=re.MULTILINE)
        body = "\n".join(text for name, text in zip(part[1::2], part[2::2], strict=True) if name == section)

        assert re.search(rf"^#? ?{key} = ", body, flags=re.MULTILINE)

    def test_is_taken_as_it_stands(self):
        settings = read(EXAMPLE)

        assert routes_of(settings) == ()
        assert settings.rules == sections.Rules()

    def test_shows_the_defaults(self):
        told = tomllib.loads(EXAMPLE.read_text(encoding="utf-8"))

        assert Settings(**told).model_dump() == Settings().model_dump()

    def test_is_taken_with_every_remark_made_a_setting(self, monkeypatch, tmp_path):
        import base64

        lines = EXAMPLE.read_text(encoding="utf-8").splitlines()
        whole = "\n".join(re.sub(r"^# (?=\[\[?\w+\]|\w+ = )", "", line) for line in lines)
        text = "\n".join(
            line
            for line in whole.splitlines()
            if not re.match(r"(url|password|secret|community|authentication|privacy|template|authorization)_file", line)
        )
        monkeypatch.setenv("LOPSIDE_ON_CALL_SECRET", "whsec_" + base64.b64encode(b"0" * 32).decode())
        monkeypatch.setenv("LOPSIDE_ON_CALL_AUTHORIZATION", "Bearer example")
        monkeypatch.setenv("LOPSIDE_MAIL_PASSWORD", "of no use")
        monkeypatch.setenv("LOPSIDE_ON_CALL_URL", "https://hooks.example/lopside")
        text = re.sub(r'^url = "https.*\n', "", text, flags=re.MULTILINE)
        (tmp_path / "settings.toml").write_text(text)

        settings = read(tmp_path / "settings.toml")

        assert settings.teams
        assert routes_of(settings)


# Made here and never committed; .gitignore names the same.
MADE_HERE = {
    ".git",
    ".venv",
    ".venv-tests",
    "__pycache__",
    ".mypy_cache",
    ".ruff_cache",
    ".pytest_cache",
    ".hypothesis",
}


def committed() -> list[Path]:
    """The files that git knows; where there is no git, or no repository of ours, those that nobody made here."""
    git = shutil.which("git")
    command = [git or "git", "-c", f"safe.directory={TOP}", "ls-files", "-z"]
    listed = subprocess.run(command, cwd=TOP, capture_output=True, text=True, check=False) if git else None
    if listed and listed.returncode == 0:
        found = [TOP / name for name in listed.stdout.split("\0") if name]
    else:
        found = [path for path in TOP.rglob("*") if not MADE_HERE & set(path.relative_to(TOP).parts)]
    return [path for path in found if path.is_file()]


# Written in pieces, so that this file does not hold what it looks for.
REGISTRIES = (
    "py" + "pi.org",
    "python" + "hosted.org",
    "npm" + "js.org",
    "index" + "-url",
    "docker" + ".io",
    "gh" + "cr.io",
)
UNFINISHED = ("TO" + "DO", "FIX" + "ME", "X" + "XX")


@pytest.fixture(scope="module")
def texts():
    read = {}
    for path in committed():
        octets = path.read_bytes()
        if b"\0" not in octets:
            read[path.relative_to(TOP)] = octets.decode("utf-8", "replace")
    assert read
    return read


class TestCommitted:
    def holding(self, texts, words):
        return [f"{path}: {word}" for path, text in texts.items() for word in words if re.search(rf"\b{word}\b", text)]

    def test_names_no_package_registry(self, texts):
        assert self.holding(texts, [re.escape(host) for host in REGISTRIES]) == []

    def test_names_no_path_of_the_machine_it_was_written_on(self, texts):
        paths = [re.escape(str(place)) for place in (TOP, Path.home()) if len(place.parts) > 2]
        own = [rf"{path}(?![\w.])" for path in paths]

        found = [f"{path}: {place}" for path, text in texts.items() for place in own if re.search(place, text)]

        assert found == []

    def test_leaves_nothing_unfinished(self, texts):
        assert self.holding(texts, UNFINISHED) == []

"""The shape of `service/`: imports point down, the core reaches nothing outside, only one part reads the clock."""

import ast
import re
import sys
from pathlib import Path

import pytest

SERVICE = Path(__file__).resolve().parents[1] / "service"

# Lowest first; a part may import any part of a lower layer, never its own layer, never a higher one.
LAYERS = (
    {"errors"},
    {"terms"},
    {"numerics"},
    {"feeds", "rules", "storage", "webhooks", "snmp", "charts", "exports"},
    {"delivery"},
    {"ingest", "evaluation", "replaying"},
    {"collection", "pushing", "records", "reports"},
    {"web", "schedule", "settings", "logs"},
    {"pages"},
    {"app"},
    {"demo"},
    {"commands"},
    {"cli"},
    {"__main__"},
)
LEVEL = {part: level for level, parts in enumerate(LAYERS) for part in parts}

# What the pure parts may reach: modules of the standard library that hold values and nothing else, and arithmetic.
VALUES = {
    "__future__",
    "array",
    "base64",
    "binascii",
    "bisect",
    "codecs",
    "contextlib",
    "collections",
    "csv",
    "dataclasses",
    "datetime",
    "decimal",
    "email",
    "enum",
    "fractions",
    "functools",
    "hashlib",
    "io",
    "ipaddress",
    "itertools",
    "json",
    "math",
    "operator",
    "re",
    "string",
    "struct",
    "types",
    "typing",
    "unicodedata",
    "zlib",
    "zoneinfo",
}
ARITHMETIC = {"numpy", "numba", "pandas", "scipy"}
PURE = {
    "errors": VALUES,
    "terms": VALUES | {"numpy"},
    # Blocks of ports are worked on by threads; what comes out is the same as by one.
    "numerics": VALUES | ARITHMETIC | {"concurrent"},
    "rules": VALUES | ARITHMETIC,
    "charts": VALUES | ARITHMETIC | {"html"},
    "exports": VALUES | ARITHMETIC | {"pyarrow"},
    # Parsing also needs the libraries that read bytes, and counter_file the file that it was named.
    "feeds": VALUES | ARITHMETIC | {"msgspec", "pyarrow", "pathlib"},
}

CLOCKS = {
    "time": {"time", "time_ns", "localtime", "gmtime", "ctime", "asctime", "strftime"},
    "datetime": {"now", "utcnow", "today"},
    "date": {"today"},
    "Timestamp": {"now", "utcnow", "today"},
}


def modules(part: str | None = None) -> list[Path]:
    found = sorted(path for path in SERVICE.rglob("*.py") if path.name != "__init__.py" or path.parent != SERVICE)
    return [path for path in found if part in (None, part_of(path))]


def part_of(path: Path) -> str:
    return path.relative_to(SERVICE).with_suffix("").parts[0]


def imports_of(path: Path) -> set[str]:
    """Dotted names that a module imports, wherever in it."""
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative imports hide which part is meant"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
    return names


def parts_imported(path: Path) -> set[str]:
    """The parts that a module imports; `service` itself holds nothing but the version."""
    names = imports_of(path) - {"service.__version__"}
    return {name.split(".")[1] for name in names if name.startswith("service.")}


def name_of(path: Path) -> str:
    return str(path.relative_to(SERVICE.parent))


class TestLayers:
    def test_hold_every_part(self):
        assert {part_of(path) for path in modules()} <= set(LEVEL)

    def test_hold_no_part_that_is_gone(self):
        assert set(LEVEL) <= {part_of(path) for path in modules()}

    @pytest.mark.parametrize("path", modules(), ids=name_of)
    def test_are_imported_downwards_only(self, path):
        part = part_of(path)

        upwards = {other for other in parts_imported(path) - {part} if LEVEL[other] >= LEVEL[part]}

        assert not upwards

    def test_agree_with_the_contract_of_the_linter(self):
        import tomllib

        [contract] = tomllib.loads((SERVICE.parent / "pyproject.toml").read_text())["tool"]["importlinter"]["contracts"]

        assert [set(layer.split(" | ")) for layer in contract["layers"]] == list(reversed(LAYERS))


class TestCore:
    @pytest.mark.parametrize("path", [path for part in PURE for path in modules(part)], ids=name_of)
    def test_reaches_nothing_outside(self, path):
        reached = {name.split(".")[0] for name in imports_of(path)} - {"service"}

        assert reached <= PURE[part_of(path)]

    @pytest.mark.parametrize("path", [path for part in PURE for path in modules(part)], ids=name_of)
    def test_opens_no_file_but_in_one_place(self, path):
        opens = [
            node
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id in ("open", "print")
        ]

        assert not opens
        assert path.name == "files.py" or not any(name.startswith("pathlib") for name in imports_of(path))

    def test_is_reached_by_way_of_modules_that_python_itself_brings(self):
        assert set(sys.stdlib_module_names) >= VALUES


def clock_readings(path: Path) -> list[str]:
    tree = ast.parse(path.read_text(encoding="utf-8"))
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, (ast.Name, ast.Attribute)):
            owner = node.value.id if isinstance(node.value, ast.Name) else node.value.attr
            if node.attr in CLOCKS.get(owner, ()):
                found.append(f"{owner}.{node.attr}, line {node.lineno}")
        if isinstance(node, ast.ImportFrom) and node.module == "time":
            found += [f"from time import {alias.name}" for alias in node.names if alias.name in CLOCKS["time"]]
    return found


class TestClock:
    @pytest.mark.parametrize("path", [path for path in modules() if part_of(path) != "app"], ids=name_of)
    def test_is_read_by_app_alone(self, path):
        assert clock_readings(path) == []

    def test_is_read_by_app(self):
        assert [line for path in modules("app") for line in clock_readings(path)]

    @pytest.mark.parametrize(
        "line", ["time.time()", "datetime.now(UTC)", "datetime.datetime.now()", "pd.Timestamp.now()", "date.today()"]
    )
    def test_is_noticed_however_it_is_read(self, tmp_path, line):
        (tmp_path / "late.py").write_text(line)

        assert clock_readings(tmp_path / "late.py")


# Ways to change a device: SNMP's set request, the edit operations of NETCONF (RFC 6241) and RESTCONF (RFC 8040),
# remote shells, and the programs and calls with which Linux changes its own links.
WRITES = (
    "setrequest",
    "set_request",
    "snmpset",
    "set_many",
    "edit-config",
    "edit_config",
    "copy-config",
    "restconf",
    "netconf",
    "gnmi",
    "paramiko",
    "ethtool -",
    "ip link set",
    "rtm_setlink",
    "rtm_newlink",
    "subprocess",
    "os.system",
    "/sys/class/net",
)


class TestAdvice:
    @pytest.mark.parametrize("path", modules(), ids=name_of)
    def test_never_changes_a_device(self, path):
        text = path.read_text(encoding="utf-8").lower()
        # PostgreSQL's own two programs copy its database; nothing else is ever started.
        allowed = {"subprocess"} if name_of(path) == "service/storage/backups.py" else set()

        assert {verb for verb in WRITES if verb in text} == allowed

    def test_starts_only_the_programs_that_copy_a_database(self):
        text = (SERVICE / "storage" / "backups.py").read_text(encoding="utf-8")

        assert set(re.findall(r'_run\("([a-z_]+)"', text)) == {"pg_dump", "pg_restore"}
        assert "shell=" not in text

    def test_has_a_client_that_only_posts_messages(self):
        # The one client for outgoing HTTP knows one verb; `lopside import --to`, `lopside push` and the demo post
        # samples to a lopside.
        sends = {name_of(path) for path in modules() if imports_of(path) & {"httpcore", "httpx"}}

        assert sends <= {
            "service/webhooks/client.py",
            "service/commands/imported.py",
            "service/pushing/http.py",
            "service/demo/stage.py",
        }

"""What operators start from: each file is read by the tools that would read it, and held to what it must not allow."""

import os
import re
import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import kubernetes_validate
import pytest
import yaml

from service.settings.reading import read

TOP = Path(__file__).resolve().parents[2]
DEPLOY = TOP / "deploy"
UNITS = sorted((DEPLOY / "systemd").glob("*.service"))
MANIFESTS = sorted((DEPLOY / "kubernetes").glob("*.yaml"))
COMPOSE = DEPLOY / "compose.yaml"
KUBERNETES = "1.33"
# How far from the best a unit may be, of 10 (systemd-analyze security); 2 is its word "OK" and better.
MOST_EXPOSED = 2.0


def documents():
    return [one for path in MANIFESTS for one in yaml.safe_load_all(path.read_text())]


def pods():
    return [one["spec"]["template"]["spec"] for one in documents() if one["kind"] in ("Deployment", "Job")]


def asked(command):
    if shutil.which(command[0]) is None:
        pytest.skip(f"no {command[0]} on this machine")
    return subprocess.run(command, capture_output=True, text=True, check=False)


class TestUnits:
    @pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
    def test_are_what_systemd_understands(self, path, tmp_path):
        # The program that a unit starts is not on this machine.
        text = re.sub(r"^ExecStart=\S+", f"ExecStart={sys.executable}", path.read_text(), flags=re.MULTILINE)
        (tmp_path / path.name).write_text(text)
        done = asked(["systemd-analyze", "verify", "--man=no", str(tmp_path / path.name)])

        said = [line for line in done.stderr.splitlines() if path.name in line]
        assert said == []

    @pytest.mark.parametrize("path", UNITS, ids=lambda path: path.name)
    def test_allow_little(self, path):
        done = asked(["systemd-analyze", "security", "--offline=true", "--no-pager", str(path)])
        exposure = re.search(r"exposure level for \S+: ([\d.]+)", done.stdout)

        assert exposure, done.stderr
        assert float(exposure[1]) <= MOST_EXPOSED


class TestManifests:
    @pytest.mark.parametrize("path", MANIFESTS, ids=lambda path: path.name)
    def test_follow_the_schema_of_kubernetes(self, path):
        for one in yaml.safe_load_all(path.read_text()):
            kubernetes_validate.validate(one, KUBERNETES, strict=True)

    def test_are_refused_where_they_do_not(self):
        broken = {**documents()[0], "spec": {"finalisers": []}}

        with pytest.raises(kubernetes_validate.ValidationError):
            kubernetes_validate.validate(broken, KUBERNETES, strict=True)

    # The restricted level of the Pod Security Standards of Kubernetes.
    def test_run_as_nobody_special_on_a_file_system_that_cannot_be_written(self):
        assert len(pods()) == 3
        for pod in pods():
            assert pod["securityContext"]["runAsNonRoot"] is True
            assert pod["securityContext"]["seccompProfile"]["type"] == "RuntimeDefault"
            assert pod["automountServiceAccountToken"] is False
            for container in pod["containers"]:
                told = container["securityContext"]
                assert told["readOnlyRootFilesystem"] is True
                assert told["allowPrivilegeEscalation"] is False
                assert told["capabilities"] == {"drop": ["ALL"]}
                assert "memory" in container["resources"]["limits"]

    def test_forbid_what_they_do_not_name(self):
        [nothing] = [one for one in documents() if one["kind"] == "NetworkPolicy" and one["spec"]["podSelector"] == {}]

        assert nothing["spec"]["policyTypes"] == ["Ingress", "Egress"]
        assert nothing["spec"].keys() == {"podSelector", "policyTypes"}

    def test_hold_no_secret(self):
        assert {one["kind"] for one in documents()}.isdisjoint({"Secret"})

    def test_have_the_settings_of_the_containers(self, tmp_path):
        [settings] = [one["data"]["settings.toml"] for one in documents() if one["kind"] == "ConfigMap"]
        mine, theirs = tomllib.loads((DEPLOY / "container.settings.toml").read_text()), tomllib.loads(settings)

        assert {**theirs["database"], "password_file": ""} == {**mine["database"], "password_file": ""}
        assert theirs["server"] == mine["server"]

    def test_probe_what_is_answered(self):
        [web] = [pod for pod in pods() if pod["containers"][0]["name"] == "web"]
        container = web["containers"][0]

        assert container["livenessProbe"]["httpGet"]["path"] == "/healthz"
        assert container["readinessProbe"]["httpGet"]["path"] == "/readyz"


class TestCompose:
    def services(self):
        return yaml.safe_load(COMPOSE.read_text())["services"]

    def test_follows_the_compose_specification(self):
        command = [sys.executable, "-m", "check_jsonschema", "--builtin-schema", "vendor.compose-spec", str(COMPOSE)]
        done = subprocess.run(command, capture_output=True, text=True, check=False)

        assert done.returncode == 0, done.stdout + done.stderr

    def test_gives_nobody_more_than_it_needs(self):
        for name, told in self.services().items():
            assert told["read_only"] is True, name
            assert told["cap_drop"] == ["ALL"], name
            assert "no-new-privileges:true" in told["security_opt"], name
            assert "mem_limit" in told, name
            assert name == "database" or not told["user"].startswith("0"), name

    def test_opens_one_door(self):
        assert {name for name, told in self.services().items() if "ports" in told} == {"proxy"}

    def test_names_secrets_by_file_alone(self):
        whole = yaml.safe_load(COMPOSE.read_text())

        assert all(told.keys() == {"file"} for told in whole["secrets"].values())
        for told in whole["services"].values():
            words = [name for name in told.get("environment", {}) if re.search("PASSWORD|SECRET|KEY", name)]
            assert all(name.endswith("_FILE") for name in words)

    def test_has_settings_that_are_read(self, monkeypatch):
        settings = read(DEPLOY / "container.settings.toml")

        assert (settings.server.host, settings.server.open_on_loopback) == ("0.0.0.0", False)


@pytest.fixture(scope="module")
def image(tmp_path_factory):
    """What the image holds: the files that its build is given, in another place, with the environment that is there."""
    place = tmp_path_factory.mktemp("image") / "opt" / "lopside"
    place.mkdir(parents=True)
    given = [line[1:] for line in (TOP / ".dockerignore").read_text().splitlines() if line.startswith("!")]
    for name in given:
        (place / name).parent.mkdir(parents=True, exist_ok=True)
        if (TOP / name).is_dir():
            shutil.copytree(TOP / name, place / name, ignore=shutil.ignore_patterns("__pycache__"))
        else:
            shutil.copy(TOP / name, place / name)
    (place / ".venv" / "bin").mkdir(parents=True)
    start = place / ".venv" / "bin" / "lopside"
    start.write_text(f'#!/bin/sh\ncd "{place}" && exec "{sys.executable}" -m service "$@"\n')
    start.chmod(0o755)
    return place


class TestProxy:
    def test_is_what_nginx_understands(self, tmp_path):
        program = nginx()
        certificate = TOP / "tests" / "webhooks" / "receiver.example.pem"
        text = (DEPLOY / "proxy.conf").read_text().replace("http://web:8430", "http://127.0.0.1:8430")
        text = re.sub(r"/run/secrets/tls\.(crt|key)", str(certificate), text)
        held = f"pid {tmp_path}/pid; error_log stderr; events {{}} http {{ access_log off; {paths(tmp_path)} {text} }}"
        (tmp_path / "nginx.conf").write_text(held)
        done = subprocess.run(
            [*program, "-t", "-q", "-p", str(tmp_path), "-c", str(tmp_path / "nginx.conf")],
            capture_output=True,
            text=True,
            check=False,
            env=libraries(),
        )

        assert done.returncode == 0, done.stderr

    def test_does_not_hold_news_back(self):
        text = (DEPLOY / "proxy.conf").read_text()
        [live] = re.findall(r"location = /live \{(.*?)\}", text, flags=re.DOTALL)

        assert "proxy_buffering off;" in live


def nginx():
    """The program, of the machine or fetched for the tests."""
    fetched = TOP / ".venv-tests" / "packages-nginx" / "usr" / "sbin" / "nginx"
    found = shutil.which("nginx", path=f"{os.environ['PATH']}:/usr/sbin") or (
        str(fetched) if fetched.exists() else None
    )
    if found is None:
        pytest.skip("no nginx on this machine; tests/packages says how to have it")
    return [found]


def libraries():
    folder = TOP / ".venv-tests" / "packages-nginx"
    places = {str(path.parent) for path in folder.rglob("*.so*")}
    return {**os.environ, "LD_LIBRARY_PATH": ":".join(sorted(places))}


def paths(folder):
    """Where nginx may write, which is elsewhere than it was built for."""
    kinds = ("client_body", "proxy", "fastcgi", "uwsgi", "scgi")
    return " ".join(f"{kind}_temp_path {folder}/{kind};" for kind in kinds)


class TestImage:
    def test_is_given_what_the_service_needs(self, image, tmp_path):
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "compiled"), "PYTHONPATH": str(image)}
        done = subprocess.run(
            [image / "deploy" / "container-start", "check", "deploy/two-ports.csv"],
            env=environment,
            capture_output=True,
            text=True,
            check=False,
            cwd=image,
        )

        assert done.returncode == 0, done.stderr
        assert "Nothing was raised." in done.stdout

    def test_starts_with_what_was_compiled_for_it(self, image, tmp_path):
        (image / "compiled").mkdir(exist_ok=True)
        (image / "compiled" / "loop.nbi").write_text("compiled")
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path / "compiled"), "PYTHONPATH": str(image)}
        command = [image / "deploy" / "container-start", "--version"]

        for _ in range(2):
            done = subprocess.run(command, env=environment, capture_output=True, text=True, check=True, cwd=image)
            assert done.stdout.startswith("lopside")
        assert (tmp_path / "compiled" / "loop.nbi").read_text() == "compiled"
        shutil.rmtree(image / "compiled")

    def test_is_described_by_steps_that_are_there(self):
        text = (DEPLOY / "Containerfile").read_text()

        for source in re.findall(r"^COPY (?!--from)(\S+) ", text, flags=re.MULTILINE):
            assert (TOP / source).exists()
        assert re.search(r"^USER 10001:10001$", text, flags=re.MULTILINE)
        assert not re.search("password|secret|token", text, flags=re.IGNORECASE)

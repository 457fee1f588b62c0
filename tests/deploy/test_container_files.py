"""Dockerfile and compose file agree with the package, and give away no rights."""

import re
from importlib.util import find_spec
from pathlib import Path
from typing import Any

import pytest
import yaml

from bridge import __version__
from bridge.shell.config import load
from bridge.shell.liveness import default_health_file

ROOT = Path(__file__).parents[2]
DEPLOY = ROOT / "deploy"
DOCKERFILE = (ROOT / "Dockerfile").read_text(encoding="utf-8")
FINAL_STAGE = DOCKERFILE.rpartition("\nFROM ")[2]
COMPOSE: dict[str, Any] = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))
SERVICES: dict[str, Any] = COMPOSE["services"]


def test_the_image_has_the_version_of_the_package() -> None:
    """The label tells the version that is inside."""
    assert f"ARG VERSION={__version__}\n" in FINAL_STAGE


def test_the_image_runs_as_nobody_special() -> None:
    """The last user is a number other than root's, so that a platform can check it."""
    users = re.findall(r"^USER (\d+):(\d+)$", FINAL_STAGE, re.MULTILINE)

    assert users
    assert "0" not in users[-1]


def test_the_final_stage_installs_no_tools() -> None:
    """What builds stays in the first stage: no pip, compiler or package lists in the image."""
    installed = re.findall(r"apt-get install [^&]*", FINAL_STAGE)

    assert installed
    assert not re.search(r"pip|binutils|gcc|-dev\b|build", " ".join(installed))
    assert "rm -rf /var/lib/apt/lists" in FINAL_STAGE


def test_the_health_check_is_a_module_of_the_package() -> None:
    """It asks the decision loop's own file, not whether some process exists."""
    module = re.search(r'HEALTHCHECK [^\[]*\["[^"]+", "-m", "([^"]+)"\]', FINAL_STAGE)

    assert module
    assert find_spec(module[1]) is not None


def test_signals_reach_the_daemon() -> None:
    """Entry point and command are in exec form: no shell stands between them and SIGTERM."""
    assert re.search(r'^ENTRYPOINT \["', FINAL_STAGE, re.MULTILINE)
    assert re.search(
        r'^CMD \["run", "--config", "/etc/tidegate/tidegate.toml"\]', FINAL_STAGE, re.MULTILINE
    )


@pytest.mark.parametrize("name", SERVICES)
def test_a_service_has_no_more_rights_than_it_needs(name: str) -> None:
    """Read-only root, no capabilities, no new privileges, bounded memory and processes."""
    service = SERVICES[name]

    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert "no-new-privileges:true" in service["security_opt"]
    assert service["init"] is True
    assert "privileged" not in service
    assert "network_mode" not in service
    assert {"pids_limit", "mem_limit"} <= service.keys()


@pytest.mark.parametrize("name", SERVICES)
def test_only_this_machine_reaches_broker_and_page(name: str) -> None:
    """Without encryption no port is open to the network."""
    assert SERVICES[name]["ports"]
    assert all(port.startswith("127.0.0.1:") for port in SERVICES[name]["ports"])


def test_what_is_mounted_exists() -> None:
    """Every file that the compose file mounts is in the repository, or made by the script."""
    made = {"./secrets/passwords", "./secrets/tidegate", "./secrets/page-token"}
    sources = [
        re.sub(r"\$\{[A-Z]+:-([^}]+)\}", r"\1", volume).split(":")[0]
        for service in SERVICES.values()
        for volume in service["volumes"]
    ]
    files = {source for source in sources if source.startswith(".")}
    files |= {secret["file"] for secret in COMPOSE["secrets"].values()}

    assert made <= files
    assert [path for path in files - made if not (DEPLOY / path).is_file()] == []


def test_the_environment_is_accepted(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The minimal configuration with the compose file's variables over it is sound."""
    for secret in SERVICES["tidegate"]["secrets"]:
        (tmp_path / secret).write_text(f"{secret} from a file\n", encoding="utf-8")
    for name, value in SERVICES["tidegate"]["environment"].items():
        monkeypatch.setenv(name, value.replace("/run/secrets", str(tmp_path)))

    configuration = load(str(ROOT / "config" / "minimal.toml"))
    broker, page = configuration.broker, configuration.page

    assert broker.host in SERVICES
    assert broker.username == "tidegate"
    assert broker.password == "broker-password from a file"  # noqa: S105 # invented above
    assert page.enabled
    assert page.token == "page-token from a file"  # noqa: S105 # invented above
    assert SERVICES["tidegate"]["ports"] == [f"127.0.0.1:{page.port}:{page.port}"]


def test_the_health_file_can_be_written(monkeypatch: pytest.MonkeyPatch) -> None:
    """It lies in the folder that the compose file keeps in memory."""
    monkeypatch.delenv("RUNTIME_DIRECTORY", raising=False)
    monkeypatch.delenv("TMPDIR", raising=False)

    mounted = {entry.split(":")[0] for entry in SERVICES["tidegate"]["tmpfs"]}

    assert str(default_health_file().parents[1]) in mounted

"""The core compiled to machine code: the same decisions, to the last byte.

Building takes minutes, so that most of this is left out unless asked for:

    pip install hatch-mypyc
    python -m pytest -m soak tests/deploy/test_compiled_core.py
"""

import os
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest

from bridge.shell.capture import CaptureWriter
from bridge.simulation.catalogue import scenario
from bridge.simulation.scenario import TANK_ID

ROOT = Path(__file__).parents[2]
HOOK = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"][
    "build"
]["targets"]["wheel"]["hooks"]["mypyc"]
SCENARIOS = ("bubbles-passing", "exposed", "overlap", "stuck", "interference")
MOST_MESSAGES = 20_000
REPLAY = """
import sys
from pathlib import Path
import bridge.core.engine
from bridge.core.engine import Engine
from bridge.shell.capture import CaptureReader, CaptureWriter
from bridge.shell.replay import replay
from bridge.simulation.catalogue import scenario

name, seed, source, target = sys.argv[1:]
settings = scenario(name, int(seed), shortest_interval_s=20.0).settings()
with CaptureWriter(Path(target)) as writer:
    replay(
        CaptureReader(Path(source)),
        settings=settings,
        make_engine=lambda boot_id, at_s: Engine(settings, boot_id=boot_id, at_s=at_s),
        publish=lambda m: writer.write(m.at_s, m.topic, m.payload, retain=m.retain),
    )
print(bridge.core.engine.__file__)
"""


def test_it_is_not_compiled_unless_asked_for() -> None:
    """The package is plain Python by default, for every machine and version."""
    assert HOOK["enable-by-default"] is False


@pytest.mark.parametrize("path", HOOK["include"])
def test_every_module_to_be_compiled_is_there(path: str) -> None:
    """A module that was renamed would silently stay interpreted."""
    assert (ROOT / path.removeprefix("/")).is_file()


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory with the package as the build step makes it."""
    directory = tmp_path_factory.mktemp("compiled")
    source = directory / "source"
    # Built from a copy: the build step moves pyproject.toml away while it works.
    shutil.copytree(ROOT / "bridge", source / "bridge")
    for name in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / name, source / name)
    subprocess.run(  # ours
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel"],
        cwd=source,
        env={**os.environ, "HATCH_BUILD_HOOK_ENABLE_MYPYC": "true"},
        check=True,
    )
    (wheel,) = (source / "dist").glob("*.whl")
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(directory / "site")
    return directory / "site"


@pytest.mark.soak
@pytest.mark.parametrize("name", SCENARIOS)
def test_compiled_and_interpreted_replays_are_the_same(
    name: str, compiled: Path, tmp_path: Path
) -> None:
    """Every published byte, over the faults of the simulation."""
    seed = 8101
    made = scenario(name, seed, shortest_interval_s=20.0)
    capture = tmp_path / "capture.jsonl"
    with CaptureWriter(capture) as writer:
        for message in made.messages[:MOST_MESSAGES]:
            writer.write(
                float(message.at_s), message.topic, message.payload, retain=message.retained
            )
    assert TANK_ID in made.settings().tanks

    written = []
    for kind, place in (("py", ROOT), ("so", compiled)):
        target = tmp_path / f"{kind}.jsonl"
        ended = subprocess.run(  # noqa: S603 # ours
            [sys.executable, "-c", REPLAY, name, str(seed), str(capture), str(target)],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(place)},
            check=True,
            capture_output=True,
            text=True,
        )
        assert ended.stdout.strip().endswith(f".{kind}")
        written.append(target.read_bytes())

    assert written[0] == written[1]
    assert len(written[0]) > 1_000_000


@pytest.mark.soak
def test_what_a_compiled_core_has_learned_is_kept_over_a_restart(compiled: Path) -> None:
    """The tests of the saved state pass with it too."""
    for name in ("tests", "config", "pyproject.toml"):
        if not (compiled / name).exists():
            (compiled / name).symlink_to(ROOT / name)
    tests = ["tests/shell/test_engine_state.py", "tests/core/test_engine.py"]
    ended = subprocess.run(  # noqa: S603 # ours
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", *tests],
        cwd=compiled,
        env={**os.environ, "PYTHONPATH": str(compiled)},
        check=False,
        capture_output=True,
        text=True,
    )

    assert ended.returncode == 0, ended.stdout[-3000:]

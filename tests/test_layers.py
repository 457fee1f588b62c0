"""The layers import downwards only, as pyproject.toml draws them."""

from pathlib import Path

from importlinter.cli import lint_imports

ROOT = Path(__file__).parents[1]


def test_no_layer_imports_a_higher_one() -> None:
    """Command line over commands over shell over simulation over core, and nothing beside them."""
    exit_code = lint_imports(
        config_filename=str(ROOT / "pyproject.toml"), no_cache=True, no_logo=True
    )

    assert exit_code == 0, "run lint-imports to see which import goes upwards"

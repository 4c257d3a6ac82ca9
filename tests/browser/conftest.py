"""These tests need a browser on the machine, so they run only when this folder is named on the command line."""

from pathlib import Path

import pytest

HERE = Path(__file__).parent


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    named = [(config.invocation_params.dir / arg.partition("::")[0]).resolve() for arg in config.args]
    asked_for = any(path == HERE or HERE in path.parents for path in named)
    return None if asked_for or not collection_path.is_relative_to(HERE) else True

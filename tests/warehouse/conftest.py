"""An open warehouse in a fresh workspace."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from pipeline.settings import Workspace
from pipeline.warehouse import Warehouse, open_warehouse


@pytest.fixture
def workspace(tmp_path: Path) -> Workspace:
    """An empty workspace."""
    return Workspace(tmp_path)


@pytest.fixture
def warehouse(workspace: Workspace) -> Iterator[Warehouse]:
    """Its warehouse, open for writing."""
    with open_warehouse(workspace) as opened:
        yield opened

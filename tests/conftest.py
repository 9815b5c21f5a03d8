"""What tests of more than one part share: the sample station, computed once."""

import os
from dataclasses import dataclass
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the command sets it

import pandas as pd
import pytest

from schemas.snapshot import read_manifest, read_table


@dataclass(frozen=True)
class Computed:
    """A station after a pass; read it, never change it."""

    folder: Path

    @property
    def published(self) -> Path:
        return self.folder / "published"

    def table(self, name: str) -> pd.DataFrame:
        """A published table."""
        return read_table(self.published, read_manifest(self.published), name)


@pytest.fixture(scope="session")
def sample_station(tmp_path_factory) -> Computed:
    """The sample station, taken in and published."""
    from pipelines.cli.demo import make_demo
    from pipelines.refresh.run import run_pass

    folder = tmp_path_factory.mktemp("sample") / "station"
    run_pass(make_demo(folder))
    return Computed(folder)

"""The cluster that the tests of this folder share."""

from collections.abc import Iterator

import pytest
from one_node_slurm import Cluster, brought_up


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    with brought_up(Cluster) as made:
        yield made

"""The cluster that the tests of this folder share."""

import signal
from collections.abc import Iterator

import pytest
from one_node_slurm import Cluster, brought_up


@pytest.fixture(scope="session", autouse=True)
def _ends_when_terminated() -> Iterator[None]:
    """SIGTERM, which is what `./run test` sends, takes the cluster down as Ctrl-C does."""
    before = signal.signal(signal.SIGTERM, signal.default_int_handler)
    yield
    signal.signal(signal.SIGTERM, before)


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    with brought_up(Cluster) as made:
        yield made

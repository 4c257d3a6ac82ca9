"""One private server for these tests, one new database for each."""

from collections.abc import Iterator
from itertools import count

import pytest
from private_postgres import Cluster, private_cluster

_numbers = count(1)


@pytest.fixture(scope="session")
def cluster() -> Iterator[Cluster]:
    with private_cluster() as cluster:
        yield cluster


@pytest.fixture
def url(cluster: Cluster) -> str:
    return cluster.new_database(f"store_{next(_numbers)}")

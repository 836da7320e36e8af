"""Builds and comparisons travel: copied, pickled, and worked out in another process or on a cluster's worker."""

from __future__ import annotations

import concurrent.futures
import copy
import multiprocessing
import pickle
from pathlib import Path

import pytest

import lobeledger as ll
from lobeledger.parts.frozen import Frozen

SHEET = Path(__file__).parents[2] / "data" / "builds" / "budget-cruiser.toml"


@pytest.fixture(scope="module")
def here() -> ll.Comparison:
    return ll.compare(ll.read_build(SHEET))


@pytest.mark.parametrize("trip", [copy.deepcopy, lambda thing: pickle.loads(pickle.dumps(thing))])
def test_a_comparison_and_its_build_come_back_the_same(here, trip):
    back = trip(here)
    assert back is not here and back.to_json() == here.to_json()
    assert back.build == here.build and back.build.data == here.build.data
    # what came back is a build to work with, not a picture of one
    assert ll.compare(back.build).to_json() == here.to_json()
    assert ll.change(back.build, {"use.years": 3}).use.years == 3.0


def test_a_frozen_mapping_keeps_its_order_and_cannot_be_written(here):
    source = {"b": 1, "a": 2}
    frozen = Frozen(source)
    source["c"] = 3
    assert list(frozen) == ["b", "a"] and "c" not in frozen and len(frozen) == 2
    with pytest.raises(TypeError):
        frozen["b"] = 4
    with pytest.raises(TypeError):
        here.build.data["use.years"] = None
    with pytest.raises(AttributeError, match="cannot be changed"):
        frozen._held = {}
    with pytest.raises(AttributeError, match="cannot be changed"):
        del frozen._held


def test_a_process_pool_gives_the_same_comparison(here):
    # spawn: a worker that begins from nothing, as on every system
    with concurrent.futures.ProcessPoolExecutor(1, mp_context=multiprocessing.get_context("spawn")) as pool:
        assert pool.submit(ll.compare, here.build).result(timeout=300).to_json() == here.to_json()


def test_a_cluster_gives_the_same_comparison(here):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=1, threads_per_worker=1, processes=True, dashboard_address=None) as cluster,
        distributed.Client(cluster) as client,
    ):
        assert client.submit(ll.compare, here.build).result(timeout=300).to_json() == here.to_json()

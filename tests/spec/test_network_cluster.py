"""A real scheduler with two worker processes, one of which is killed: the same numbers."""

from __future__ import annotations

import os
import signal
import threading
import time

import feet_in_parts
import pytest
from networks_drawn import as_one, assert_same, draw_rows, in_parts, write_exports

from analytics.courses.network import settle_network
from analytics.errors import WorkError
from analytics.intake.engine import Engine

distributed = pytest.importorskip(
    "distributed", reason="the engine dask is not installed (pip install '.[dask]')"
)

#: What a cluster says while a worker of it is killed is no fault of ours.
pytestmark = pytest.mark.filterwarnings("default")


def kill_one_at_work(cluster, cache, killed):
    """Kill a worker as soon as the first part is settled."""
    worker = next(iter(cluster.workers.values()))
    until = time.monotonic() + 120
    while time.monotonic() < until:
        if any(path.is_dir() and path.suffix != ".part" for path in cache.glob("*")):
            os.kill(worker.pid, signal.SIGKILL)
            killed.append(worker.pid)
            return
        time.sleep(0.01)


def test_a_cluster_that_loses_a_worker_gives_the_same_numbers(tmp_path):
    exports = write_exports(tmp_path, draw_rows(8, 16))
    cache, killed = tmp_path / "cache", []
    with distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None
    ) as cluster:
        cache.mkdir()
        watch = threading.Thread(target=kill_one_at_work, args=(cluster, cache, killed))
        watch.start()
        engine = Engine("dask", scheduler=cluster.scheduler_address, cache=cache, part_bytes=1)
        found = in_parts(exports, engine)
        watch.join()
        with settle_network(exports, engine) as network:
            numbers = feet_in_parts.in_parts(network, engine, full=4)
    assert killed
    one = as_one(exports)
    assert_same(one, found)
    for result in numbers:
        feet_in_parts.assert_same(result, feet_in_parts.in_memory(one[1], result))


def test_a_scheduler_that_does_not_answer_is_told(tmp_path, monkeypatch):
    monkeypatch.setattr("analytics.intake.engine.ANSWER_WITHIN", "1s")
    exports = write_exports(tmp_path, draw_rows(1, 1))
    with pytest.raises(WorkError, match="does not answer"):
        in_parts(exports, Engine("dask", scheduler="tcp://127.0.0.1:1", part_bytes=1))

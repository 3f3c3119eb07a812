"""What the processes of a server count, and the text in which a monitoring system reads it.

Each worker counts for itself. Where a server has several, `share_between_workers` names a folder
through which they are added up, so that whichever answers tells the figures of all.
"""

import os
import shutil
import sys
import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from prometheus_client.metrics_core import Metric

    from tracelog.keeping.standing import Standing

# The library reads this when it is first imported, and not later.
_FOLDER_VARIABLE = "PROMETHEUS_MULTIPROC_DIR"


def share_between_workers(folder: Path) -> None:
    """Add up what the workers count that this process is about to start.

    Args:
        folder: of this server alone; what an earlier server left there is thrown away.
    """
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir(parents=True)
    os.environ[_FOLDER_VARIABLE] = str(folder)


def _shared() -> Path | None:
    folder = os.environ.get(_FOLDER_VARIABLE)
    return Path(folder) if folder else None


class _Figures:
    """What one process counts. The library is imported here and not before: a worker may be a
    copy of the process that started it, in which the folder was not named yet."""

    def __init__(self) -> None:
        from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram

        self.registry = own = CollectorRegistry()
        self.requests = Counter(
            "tracelog_requests", "Requests answered.", ["route", "method", "status"], registry=own
        )
        self.seconds = Histogram(
            "tracelog_request_seconds",
            "How long answers took, from the request's arrival in its worker.",
            ["route"],
            buckets=(0.025, 0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10),
            registry=own,
        )
        self.turned_away = Counter(
            "tracelog_requests_turned_away",
            "Requests told at once to come again.",
            ["kind"],
            registry=own,
        )
        self.database_errors = Counter(
            "tracelog_database_errors",
            "Requests that the database failed.",
            ["kind"],
            registry=own,
        )
        self.memory = Gauge(
            "tracelog_worker_memory_bytes",
            "Memory that a worker holds (resident; Linux only).",
            registry=own,
            multiprocess_mode="liveall",
        )


@cache
def _figures() -> _Figures:
    return _Figures()


_STATM = Path("/proc/self/statm")
_MEMORY_EVERY_SECONDS = 5.0
_memory_at = float("-inf")


def count_request(route: str, method: str, status: int, seconds: float) -> None:
    """Count an answer. `route` is the rule of the address, so that there are few of them."""
    _figures().requests.labels(route, method, str(status)).inc()
    _figures().seconds.labels(route).observe(seconds)
    _note_memory()


def count_turned_away(kind: str) -> None:
    """Count a request that was told to come again; `kind` is entry, write or read."""
    _figures().turned_away.labels(kind).inc()


def count_database_error(kind: str) -> None:
    """Count a request that the database failed: ``away``, ``full`` or ``other``."""
    _figures().database_errors.labels(kind).inc()


def _note_memory() -> None:
    global _memory_at  # noqa: PLW0603
    present = time.monotonic()
    if sys.platform != "linux" or present - _memory_at < _MEMORY_EVERY_SECONDS:
        return
    _memory_at = present
    pages = int(_STATM.read_text(encoding="ascii").split()[1])
    _figures().memory.set(pages * os.sysconf("SC_PAGE_SIZE"))


def written(found: "Standing | None") -> bytes:
    """Everything that was counted, and how the installation does, in the open text format.

    Args:
        found: how it does; None: only what was counted.
    """
    from prometheus_client import CollectorRegistry, generate_latest, multiprocess

    folder, registry = _shared(), _figures().registry
    if folder is not None:
        _forget_the_dead(folder)
        registry = CollectorRegistry()
        multiprocess.MultiProcessCollector(registry)  # type: ignore[no-untyped-call]
    text: bytes = generate_latest(registry)
    if found is not None:
        told = CollectorRegistry()
        told.register(_Told(found))
        text += generate_latest(told)
    return text


def _forget_the_dead(folder: Path) -> None:
    """Memory of workers that are gone is nobody's; what they counted stays."""
    if sys.platform == "win32":  # where asking whether a process is there would end it
        return
    for path in folder.glob("gauge_liveall_*.db"):
        process = path.stem.rpartition("_")[2]
        try:
            os.kill(int(process), 0)
        except ProcessLookupError:
            path.unlink(missing_ok=True)
        except PermissionError:
            continue


class _Told:
    """What the database knows, as figures: the same whichever worker is asked."""

    def __init__(self, found: "Standing") -> None:
        self._found = found

    def collect(self) -> "Iterator[Metric]":
        """All figures, each with what it is."""
        from prometheus_client.metrics_core import CounterMetricFamily, GaugeMetricFamily

        found = self._found
        version = GaugeMetricFamily(
            "tracelog_version", "1 for what runs.", labels=["program", "revision", "database"]
        )
        version.add_metric([found.program, found.revision, found.database], 1)
        yield version
        yield CounterMetricFamily("tracelog_entries", "Findings logged.", value=found.entries)
        yield CounterMetricFamily(
            "tracelog_rejected_messages",
            "Messages of collectors that could not be taken and are kept.",
            value=found.rejected,
        )
        gauges = {
            "entries_hour": ("Findings logged in the last hour.", found.entries_hour),
            "readings_hour": ("Readings of the last hour that were taken in.", found.readings_hour),
            "counters_silent": ("Counters silent for longer than usual.", len(found.silent)),
            "notices_waiting": ("Notices that wait to be sent.", found.outbox.waiting),
            "notices_given_up_day": (
                "Notices of the last day that were given up.",
                found.outbox.given_up,
            ),
            "database_bytes": ("Size of the database.", found.database_bytes),
            "backup_failures": (
                "Failures of the scheduled backup since the last good one.",
                found.backup_failed.times if found.backup_failed else 0,
            ),
        }
        for name, (about, value) in gauges.items():
            yield GaugeMetricFamily(f"tracelog_{name}", about, value=value)
        yield self._backup_age()
        disks = GaugeMetricFamily(
            "tracelog_disk_free_bytes", "Free on the disk of a folder.", labels=["folder"]
        )
        for one in found.disks:
            disks.add_metric([one.folder], one.free_bytes)
        yield disks
        ages = GaugeMetricFamily(
            "tracelog_counter_age_seconds", "Since a counter was read.", labels=["machine"]
        )
        for counter in found.counters:
            if counter.age_s is not None:
                ages.add_metric([counter.machine], counter.age_s)
        yield ages

    def _backup_age(self) -> "Metric":
        from prometheus_client.metrics_core import GaugeMetricFamily

        age = self._found.backup_age
        metric = GaugeMetricFamily(
            "tracelog_backup_age_seconds", "Age of the last good backup; none: never made."
        )
        if age is not None:
            metric.add_metric([], age.total_seconds())
        return metric

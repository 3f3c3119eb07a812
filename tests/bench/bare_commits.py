"""What a disk takes: one row for each transaction, durable, without anything around it."""

import os
import sqlite3
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import psycopg

# As wide as an entry.
_COLUMNS = "seen_at, dome_code, defect_id, cans, found_at, coil, pallet, note, logged_by, logged_at"
_ROW = (
    *("2026-11-27 06:15:00.000000", "3-7", "0" * 32, 2, "bodymaker", "K000123", "W1-000456"),
    *("a note of some words", "olga", "2026-11-27 06:15:30.000000"),
)


def sqlite_rate(folder: Path, seconds: float) -> float:
    """Commits per second of one thread: WAL, `synchronous=FULL`, as the application has it."""
    path = folder / "bare.db"
    connection = sqlite3.connect(path, isolation_level=None)
    try:
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute(f"CREATE TABLE IF NOT EXISTS bare (id TEXT PRIMARY KEY, {_COLUMNS})")
        marks = ", ".join("?" * (len(_ROW) + 1))
        statement = f"INSERT INTO bare VALUES ({marks})"
        commits, ends = 0, time.perf_counter() + seconds
        while time.perf_counter() < ends:
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(statement, (os.urandom(16).hex(), *_ROW))
            connection.execute("COMMIT")
            commits += 1
        return commits / seconds
    finally:
        connection.close()


def postgresql_rate(url: str, sessions: int, seconds: float) -> float:
    """Commits per second of so many connections at once, each in a thread of its own."""
    with psycopg.connect(url, autocommit=True) as connection:
        columns = ", ".join(f"{name.strip()} text" for name in _COLUMNS.split(","))
        statement = f"CREATE TABLE IF NOT EXISTS bare (id text PRIMARY KEY, {columns})"
        connection.execute(statement.encode())
    everybody_is_there = threading.Barrier(sessions)
    marks = ", ".join(["%s"] * (len(_ROW) + 1))
    insert = f"INSERT INTO bare VALUES ({marks})".encode()

    def commit(_number: int) -> int:
        # With autocommit each statement is a transaction, in one message to the server and back.
        with psycopg.connect(url, autocommit=True) as connection:
            everybody_is_there.wait(60)
            commits, ends = 0, time.perf_counter() + seconds
            while time.perf_counter() < ends:
                connection.execute(insert, (os.urandom(16).hex(), *map(str, _ROW)))
                commits += 1
            return commits

    with ThreadPoolExecutor(sessions) as threads:
        return sum(threads.map(commit, range(sessions))) / seconds

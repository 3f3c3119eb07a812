"""Random streams: one per subject, so that a change in one subject leaves the others alone."""

from zlib import crc32

import numpy as np
import numpy.typing as npt


def stream(seed: int, subject: str) -> np.random.Generator:
    """Return the random stream of a subject ("tools", "coils") for a seed."""
    return np.random.default_rng([seed, crc32(subject.encode())])


def entry_ids(epoch_seconds: npt.NDArray[np.int64], rng: np.random.Generator) -> list[str]:
    """Return one UUID version 7 (RFC 9562, section 5.7) per instant, in the given order."""
    count = len(epoch_seconds)
    milliseconds = epoch_seconds * 1000 + rng.integers(0, 1000, count)
    first = rng.integers(0, 1 << 12, count)
    second = rng.integers(0, 1 << 14, count)
    third = rng.integers(0, 1 << 48, count)
    return [
        f"{ms >> 16:08x}-{ms & 0xFFFF:04x}-7{a:03x}-{0x8000 | b:04x}-{c:012x}"
        for ms, a, b, c in zip(
            milliseconds.tolist(), first.tolist(), second.tolist(), third.tolist(), strict=True
        )
    ]

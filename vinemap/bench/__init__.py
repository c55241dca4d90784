"""The bench page: where the buds that the razor opens are read and kept, with no network."""

from __future__ import annotations

from vinemap.bench.samples import read_bench_samples
from vinemap.bench.write import USUAL_RHO, write_bench

__all__ = ["USUAL_RHO", "read_bench_samples", "write_bench"]

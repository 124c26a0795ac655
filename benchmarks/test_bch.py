"""How fast the BCH decoder is: `python -m pytest benchmarks --benchmark-only`.

Goal: on one thread, with the corrections written back, at least ten times as fast as bchlib in a Python loop at
every raw bit error rate, in the same run. Timings of one group belong together: ours and bchlib's decode the same
words, galois a few of them. `benchmarks/ratios.py` prints the ratios of interleaved runs.
"""

import numpy as np
import pytest
from bch_workload import (
    CODE,
    DAMAGE,
    MESSAGE_BYTES,
    as_bytearrays,
    bchlib_decoder,
    galois_decoder,
    run_bchlib,
    workload,
)
from pytest_benchmark.fixture import BenchmarkFixture

WORDS = 512
by_damage = pytest.mark.parametrize("damage", DAMAGE)


@by_damage
def test_deadstick(benchmark: BenchmarkFixture, damage: str) -> None:
    benchmark.group = f"decode {WORDS} codewords, {damage}"
    work = workload(DAMAGE[damage], WORDS)
    CODE.decode(work.received, MESSAGE_BYTES)  # compile, build tables
    decoded = benchmark.pedantic(  # type: ignore[no-untyped-call]  # pytest-benchmark leaves it untyped
        lambda words: CODE.decode(words, MESSAGE_BYTES, out=words),
        setup=lambda: ((work.received.copy(),), {}),
        rounds=30,
    )
    assert decoded.errors.tolist() == work.errors.tolist()
    assert np.array_equal(decoded.words, work.sent)


@by_damage
def test_bchlib(benchmark: BenchmarkFixture, damage: str) -> None:
    benchmark.group = f"decode {WORDS} codewords, {damage}"
    work = workload(DAMAGE[damage], WORDS)
    decoder = bchlib_decoder()
    pairs = as_bytearrays(work.received)
    benchmark.pedantic(  # type: ignore[no-untyped-call]  # pytest-benchmark leaves it untyped
        lambda words: run_bchlib(decoder, words),
        setup=lambda: ((as_bytearrays(work.received),), {}),
        rounds=10,
    )
    run_bchlib(decoder, pairs)
    assert b"".join(bytes(data + parity) for data, parity in pairs) == work.sent.tobytes()


def test_galois_on_two_codewords(benchmark: BenchmarkFixture) -> None:
    benchmark.group = "decode 2 codewords with galois, 1e-3"
    work = workload(DAMAGE["1e-3"], 2)
    bits = np.unpackbits(work.received, axis=1)[:, : 8 * MESSAGE_BYTES + CODE.parity_bits]
    decoder = galois_decoder()
    codewords = decoder.field(bits)
    decoded = benchmark.pedantic(decoder.decode, args=(codewords,), rounds=2, warmup_rounds=1)  # type: ignore[no-untyped-call]
    assert np.array_equal(np.packbits(np.asarray(decoded), axis=1), work.sent[:, :MESSAGE_BYTES])


def test_encode(benchmark: BenchmarkFixture) -> None:
    benchmark.group = f"encode {WORDS} codewords"
    work = workload(0.0, WORDS)
    message = np.ascontiguousarray(work.sent[:, :MESSAGE_BYTES])
    parity = benchmark(CODE.encode, message)
    assert np.array_equal(parity, work.sent[:, MESSAGE_BYTES:])

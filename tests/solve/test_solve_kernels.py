"""Every kernel of the solver against a twin that can be read."""

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.codes.field import Field
from deadstick.codes.lfsr import Lfsr
from deadstick.solve.codeword.root_kernels import field_tables, prefix_sums, tail_hits
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.common.noise_kernels import equal_pairs
from deadstick.solve.register.register_kernels import constant_runs, rewind
from deadstick.solve.seeds.likely_bytes_kernels import solve_systems

FIELDS = [(13, 0x201B), (14, 0x402B), (14, 0x5803), (15, 0x8003)]
quick = settings(max_examples=20, deadline=None)


def tables(m: int, polynomial: int) -> tuple[np.ndarray, np.ndarray]:
    exp = np.zeros(2 * ((1 << m) - 1), np.uint16)
    log = np.zeros(1 << m, np.uint16)
    field_tables(polynomial, m, exp, log)
    return exp, log


def value_at_root(bits: np.ndarray, field: Field) -> int:
    """Horner's rule: the polynomial whose highest coefficient comes first, at alpha."""
    total = 0
    for bit in bits.tolist():
        total = int(field.multiply(total, field.exp[1])) ^ bit
    return total


@given(st.sampled_from(FIELDS))
@quick
def test_tables_are_those_of_the_field(field: tuple[int, int]) -> None:
    exp, log = tables(*field)
    reference = Field(*field)
    assert np.array_equal(exp, reference.exp)
    assert np.array_equal(log[1:], reference.log[1:])


@given(st.sampled_from(FIELDS), st.binary(min_size=6, max_size=12), st.data())
@quick
def test_prefix_sums_give_the_value_at_the_root(field: tuple[int, int], content: bytes, data: st.DataObject) -> None:
    m, polynomial = field
    exp, log = tables(m, polynomial)
    row = np.frombuffer(content, np.uint8)[None]
    prefix = np.zeros((1, len(content) + 1), np.uint16)
    prefix_sums(row, m, exp, log, np.zeros(256, np.int32), prefix)
    first = data.draw(st.integers(0, len(content) - 1))
    last = data.draw(st.integers(first + 1, len(content)))
    reference = Field(m, polynomial)
    # Bit p counts alpha^-p in the prefix sums and alpha^(8 last - 1 - p) in the polynomial.
    scaled = reference.multiply(
        int(prefix[0, last] ^ prefix[0, first]), reference.exp[(8 * last - 1) % reference.order]
    )
    assert int(scaled) == value_at_root(np.unpackbits(row[0, first:last]), reference)


@given(st.sampled_from(FIELDS), st.integers(0, 2**32), st.integers(0, 3))
@quick
def test_tail_hits_are_words_with_the_root(field: tuple[int, int], seed: int, between: int) -> None:
    m, polynomial = field
    exp, log = tables(m, polynomial)
    reference = Field(m, polynomial)
    rng = np.random.default_rng(seed)
    rows = rng.integers(0, 256, (3, 24), np.uint8)
    # Make the first row a word with the root: message 0..7, between 10.., tail 14..19.
    pieces = np.concatenate([rows[0, :8], rows[0, 10 : 10 + between], rows[0, 14:20]])
    wanted = value_at_root(np.unpackbits(pieces), reference)
    tail = int.from_bytes(rows[0, 14:20].tobytes(), "big") ^ wanted
    rows[0, 14:20] = np.frombuffer(tail.to_bytes(6, "big"), np.uint8)
    prefix = np.zeros((3, 25), np.uint16)
    prefix_sums(rows, m, exp, log, np.zeros(256, np.int32), prefix)
    tails = np.array([[14, 10, between], [15, 10, between]])
    hits = np.zeros((2, 5), np.uint16)
    tail_hits(prefix, m, exp, log, 0, 8, tails, 4, 8, hits)
    for index, (first, begin, length) in enumerate(tails.tolist()):
        for size in range(4, 9):
            expected = 0
            for row in rows:
                end = first + size
                word = np.concatenate([row[:8], row[begin : begin + length], row[first:end]])
                message = np.concatenate([row[:8], row[begin : begin + length]])
                sums = [value_at_root(np.unpackbits(part), reference) for part in (row[:8], message)]
                silent = 0 in sums or end > 24  # such a message says nothing, see the kernel
                expected += not silent and value_at_root(np.unpackbits(word), reference) == 0
            assert hits[index, size - 4] == expected
    if value_at_root(np.unpackbits(rows[0, :8]), reference) and value_at_root(np.unpackbits(pieces[:-6]), reference):
        assert hits[0, 2] >= 1


@given(st.sampled_from([0x11D, 0x8003, (1 << 40) | (1 << 38) | (1 << 21) | (1 << 19) | 1]), st.integers(1, 2**39))
@quick
def test_rewind_undoes_the_registers_own_steps(polynomial: int, state: int) -> None:
    register = Lfsr(polynomial)
    width = polynomial.bit_length() - 1
    state = state % ((1 << width) - 1) + 1
    for count in (0, 1, 7, 130, 4096):
        states = register.advance(np.array([state], np.uint64), 8 * count)
        rewind(states, np.array([count]), np.uint64(polynomial ^ 1 << width), width, np.empty((20, width), np.uint64))
        assert int(states[0]) == state


def plain_runs(data: np.ndarray, polynomial: int, lsb: bool) -> np.ndarray:
    """The recurrence evaluated bit by bit: 0 or 1 for bytes of which all eight sums are that, else 2."""
    bits = np.unpackbits(data, bitorder="little" if lsb else "big").astype(np.uint8)
    width = polynomial.bit_length() - 1
    taps = [i for i in range(width + 1) if polynomial >> i & 1]
    usable = len(bits) - width
    sums = np.zeros(usable, np.uint8)
    for tap in taps:
        sums ^= bits[tap : tap + usable]
    rows = sums[: usable // 8 * 8].reshape(-1, 8)
    return np.where((rows == 0).all(axis=1), 0, np.where((rows == 1).all(axis=1), 1, 2))


@given(st.sampled_from([0x8003, 0x11D, 0x100400007]), st.booleans(), st.integers(0, 2**32))
@quick
def test_constant_runs_stand_where_the_recurrence_holds(polynomial: int, lsb: bool, seed: int) -> None:
    rng = np.random.default_rng(seed)
    data = rng.integers(0, 256, 600, np.uint8)
    stream = Lfsr(polynomial).keystream(np.array([5], np.uint64), 600, "lsb" if lsb else "msb")[0]
    data[100:200] = stream[100:200]
    data[300:420] = ~stream[300:420]
    width = polynomial.bit_length() - 1
    taps = np.array([i for i in range(width + 1) if polynomial >> i & 1])
    positions, states, ones = np.empty(40, np.int64), np.empty(40, np.uint64), np.empty(40, np.bool_)
    count = constant_runs(data, taps, 12, lsb, positions, states, ones)
    kinds = plain_runs(data, polynomial, lsb)
    run = 12 - (width + 7) // 8
    assert count >= 4
    for position, state, one in zip(positions[:count], states[:count], ones[:count], strict=True):
        assert (kinds[position : position + run] == int(one)).all()
        inside = stream[position : position + 8]
        bits = np.unpackbits(inside, bitorder="little" if lsb else "big")[:width]
        assert int(state) == sum(int(bit) << i for i, bit in enumerate(bits))


@given(st.lists(st.binary(min_size=24, max_size=24), min_size=1, max_size=4))
@quick
def test_equal_pairs_are_counted_as_by_hand(rows: list[bytes]) -> None:
    sectors = np.array([np.frombuffer(row, np.uint8) for row in rows])
    pairs = np.zeros(len(rows), np.int64)
    equal_pairs(sectors, pairs)
    by_hand = [sum(row[i] == row[j] for i in range(24) for j in range(i)) for row in rows]
    assert pairs.tolist() == by_hand


@given(st.integers(1, 64), st.integers(0, 12), st.integers(0, 1000))
@quick
def test_systems_are_solved_as_one_by_one(width: int, surplus: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    masks = rng.integers(0, 1 << 64, (20, width + surplus), dtype=np.uint64) >> np.uint64(64 - width)
    odd = rng.random(masks.shape) < 0.5
    solutions = np.zeros(len(masks), np.uint64)
    solve_systems(masks, odd, width, solutions)
    for mask, one, solution in zip(masks.tolist(), odd.tolist(), solutions.tolist(), strict=True):
        assert solution == first_solution(mask, one, width)


def first_solution(masks: list[int], odd: list[bool], width: int) -> int:
    """Of the equations that do not follow from those before them; 0 where they do not fix all bits."""
    chosen: list[int] = []
    for equation, mask in enumerate(masks):
        if LinearSystem([*(masks[other] for other in chosen), mask]).is_regular:
            chosen.append(equation)
    if len(chosen) < width:
        return 0
    # Bit i of column j says whether equation i has bit j of x.
    columns = [sum((masks[one] >> bit & 1) << row for row, one in enumerate(chosen)) for bit in range(width)]
    solution = LinearSystem(columns).solve(sum(odd[one] << row for row, one in enumerate(chosen)))
    assert solution is not None
    return solution

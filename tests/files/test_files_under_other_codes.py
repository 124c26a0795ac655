"""Sticks under Hamming and Reed-Solomon codes, from the dump to files, by a recipe that is known."""

from dataclasses import dataclass
from hashlib import sha256
from pathlib import Path

import pytest

from deadstick.files.records import FileState
from deadstick.files.scan import list_files
from deadstick.flash.dump import Dump
from deadstick.rebuild.rebuild import Rebuilt, rebuild
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.controller import block_mapped_dump
from deadstick.simulate.history import History, scenario_history

DISK_BYTES = 2 << 20
MAPPED = Translation("block", BitField(0, 2), BitField(2, 2))
HAMMING = Recipe(32, spare_groups(2112, 8, 256, 4, 3, covered=False), Code.hamming(256), translation=MAPPED)
REED_SOLOMON = Recipe(
    32,
    spare_groups(2112, 4, 512, 4, 9, covered=False),
    Code(9, 0x221, 4, 503, "lsb", erased_is_codeword=True, family="reed_solomon", padding="gap"),
    translation=MAPPED,
)
NO_CODE = Recipe(
    32, PageLayout(2112, spare_groups(2112, 8, 256, 0, 0).codewords, HAMMING.layout.loose), None, None, MAPPED
)


@dataclass(frozen=True)
class Stick:
    """A dump and what was on the disk."""

    rebuilt: Rebuilt
    history: History

    def states(self) -> dict[str, FileState]:
        """State of every live file; content that is called exact is compared with what was written."""
        written = {file.path: file.data for file in self.history.live}
        records = {record.path: record for record in list_files(self.rebuilt.disk).files if not record.deleted}
        assert records.keys() == written.keys()
        for path, record in records.items():
            if record.state is FileState.EXACT:
                assert record.sha256 == sha256(written[path]).hexdigest()
        return {path: record.state for path, record in records.items()}

    def share(self, state: FileState) -> float:
        """Share of the live files in a state."""
        states = list(self.states().values())
        return states.count(state) / len(states)


def stick(recipe: Recipe, folder: Path, rate: float, seed: int) -> Stick:
    history = scenario_history(seed, DISK_BYTES, fill=0.5)
    logical = -(-DISK_BYTES // (32 * 2048))
    dump, _ = block_mapped_dump(history.states, recipe, logical + 14, seed, bad=1, wear_moves=2, rate=rate)
    path = folder / "chip.bin"
    dump.tofile(path)
    return Stick(rebuild(Dump.open(path), recipe), history)


@pytest.mark.parametrize("recipe", [HAMMING, REED_SOLOMON], ids=["hamming", "reed_solomon"])
def test_without_bit_errors_every_file_is_exact(recipe: Recipe, tmp_path: Path) -> None:
    assert stick(recipe, tmp_path, 0.0, 1).share(FileState.EXACT) == 1


def test_reed_solomon_at_a_rate_that_strikes_every_file(tmp_path: Path) -> None:
    found = stick(REED_SOLOMON, tmp_path, 2e-5, 2)
    errors = found.rebuilt.page_table.errors
    assert (errors == 2).sum() > 10
    assert found.share(FileState.EXACT) > 0.95
    # Three corrections where four are possible are an accident once in 2 million words that are beyond the code.
    assert found.rebuilt.statistics.doubtful == (errors >= 3).sum() == 1


def test_hamming_doubts_what_it_corrected_and_nothing_else(tmp_path: Path) -> None:
    found = stick(HAMMING, tmp_path, 5e-7, 3)
    corrected = found.rebuilt.statistics.bits_corrected
    assert corrected > 5
    assert found.rebuilt.statistics.doubtful <= corrected
    assert 0.5 < found.share(FileState.EXACT) < 1
    assert found.share(FileState.DAMAGED) == 0


def test_hamming_at_a_rate_far_beyond_it_calls_nothing_exact(tmp_path: Path) -> None:
    """Every tenth word has two errors and every hundredth three, which it turns into four."""
    found = stick(HAMMING, tmp_path, 2e-4, 4)
    assert found.rebuilt.statistics.lost_codewords > 500
    assert found.rebuilt.statistics.exact == 0


def test_without_a_code_the_files_are_there_and_none_is_exact(tmp_path: Path) -> None:
    found = stick(NO_CODE, tmp_path, 0.0, 5)
    assert found.rebuilt.statistics.exact == 0
    assert found.share(FileState.DOUBTFUL) == 1

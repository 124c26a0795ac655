"""The shape of a NAND chip: pages of data and spare bytes, blocks of pages, planes, targets."""

from dataclasses import dataclass, fields

_LIMIT = 1 << 31
"""No dimension of a real chip comes near; larger figures are a mistaken argument or a damaged page."""


@dataclass(frozen=True, slots=True)
class Geometry:
    """The shape of a NAND chip in the terms of ONFI 1.0, section 3.1 (page, block, plane, LUN, target).

    Attributes:
        page_data: Bytes of the data area of one page.
        page_spare: Bytes of the spare area of one page; 0 where a reader left it out.
        pages_per_block: Pages that are erased together.
        blocks: Blocks of one target, over all of its LUNs.
        planes: Planes of one LUN; neighbouring block numbers lie on different planes.
        targets: Chip enables whose contents stand one behind the other in the dump.

    Raises:
        ValueError: A dimension is impossible; the message names it.

    >>> chip = Geometry(page_data=4096, page_spare=224, pages_per_block=128, blocks=8192, planes=2)
    >>> chip.page_bytes, chip.block_bytes, chip.pages, chip.total_bytes
    (4320, 552960, 1048576, 4529848320)
    """

    page_data: int
    page_spare: int
    pages_per_block: int
    blocks: int
    planes: int = 1
    targets: int = 1

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            least = 0 if field.name == "page_spare" else 1
            if not isinstance(value, int) or isinstance(value, bool):
                raise ValueError(f"Geometry: {field.name} must be a whole number, not {value!r}.")  # noqa: TRY004 - callers catch one error for an impossible shape
            if not least <= value < _LIMIT:
                raise ValueError(f"Geometry: {field.name} is {value}, which no chip has; give at least {least}.")

    @property
    def page_bytes(self) -> int:
        """Bytes of one page as read: data and spare."""
        return self.page_data + self.page_spare

    @property
    def block_bytes(self) -> int:
        """Bytes of one block as read: data and spare of all its pages."""
        return self.page_bytes * self.pages_per_block

    @property
    def pages(self) -> int:
        """Pages of all targets."""
        return self.pages_per_block * self.blocks * self.targets

    @property
    def total_bytes(self) -> int:
        """Bytes of a whole read: data and spare of all targets."""
        return self.page_bytes * self.pages

"""Which block of sites a row is about: SQL for `servicedesk.constraints.BumpsVersion`.

Sites are told apart by the remainder of their keys (`TableVersion.BLOCKS`), so that what is worked out from
the records of all sites need only be worked out again for the blocks that were written to.
"""

from __future__ import annotations

from typing import Final

from servicedesk.people.models import TableVersion

BLOCK_OF_SITE: Final = f"{{row}}.id - {{row}}.id / {TableVersion.BLOCKS} * {TableVersion.BLOCKS}"
BLOCK_OF_ITS_SITE: Final = (
    f"{{row}}.site_id - {{row}}.site_id / {TableVersion.BLOCKS} * {TableVersion.BLOCKS}"
)
_BLOCK: Final = f"u.site_id - u.site_id / {TableVersion.BLOCKS} * {TableVersion.BLOCKS}"
BLOCK_OF_UNIT: Final = f"(SELECT {_BLOCK} FROM units_unit u WHERE u.id = {{row}}.unit_id)"  # noqa: S608
BLOCK_OF_INSTALLED_PART: Final = (
    f"(SELECT {_BLOCK} FROM units_installedpart f JOIN units_unit u ON u.id = f.unit_id"  # noqa: S608
    " WHERE f.id = {row}.installed_part_id)"
)

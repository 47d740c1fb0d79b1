"""Traits of installed parts that figures are filtered and grouped by.

Each trait is one SQL expression over the tables of an installed part (``f``), its unit (``u``) and its site
(``s``). The same words name it in URLs, on the command line and in the output.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Literal

from units.models import ComponentType, Construction, Kind, Site, Unit
from units.templatetags.measures import COMPASS

Key = int | str
"""Key of a group: a primary key, a code, a year."""

UNKNOWN = "unknown"
"""Parameter value for parts whose trait is not recorded."""

NOT_RECORDED = "not recorded"


@dataclass(frozen=True)
class Trait:
    """Trait by which parts are filtered and grouped.

    ``sql`` is the expression of a part's group, NULL where it is not recorded; ``{year}`` in it stands for
    the year of fitting. ``listed`` names all groups where there is a list of them; without one a key is its
    own name.
    """

    name: str
    words: str
    table: Literal["f", "u", "s"]
    sql: str
    key: Callable[[str], Key] = str
    listed: Callable[[], Mapping[Key, str]] | None = None

    def read(self, text: str) -> Key | None:
        """Parse the key of a group from a parameter; None where the trait is not recorded."""
        if text == UNKNOWN:
            return None
        try:
            key = self.key(text)
        except ValueError:
            key = text
        if self.listed is not None:
            names = self.listed()
            if key not in names:
                key = next((candidate for candidate, name in names.items() if _same(name, text)), "")
            if key not in names:
                raise ValueError(f"“{text}” is no known {self.words}.")
        elif self.key is int and not isinstance(key, int):
            raise ValueError(f"“{text}” is no {self.words}; write it as a number.")
        return key

    def write(self, key: Key | None) -> str:
        """Format the key of a group as `read` parses it."""
        return UNKNOWN if key is None else str(key)

    def names(self, keys: Iterable[Key | None]) -> dict[Key | None, str]:
        """Display names of groups."""
        listed = self.listed() if self.listed is not None else {}
        return {key: NOT_RECORDED if key is None else listed.get(key, str(key)) for key in keys}


def _same(name: str, text: str) -> bool:
    return name.casefold() == text.strip().casefold()


def _known(choices: Iterable[tuple[str, str]]) -> dict[Key, str]:
    """Choices without the blank one."""
    return {value: words for value, words in choices if value}


def _types() -> dict[Key, str]:
    return dict(ComponentType.objects.values_list("pk", "name"))


def _constructions() -> dict[Key, str]:
    return dict(Construction.objects.values_list("pk", "name"))


SUNS: dict[Key, str] = {"full": "full sun", "some": "some sun", "little": "little sun"}
"""Classes of sun on a window, most first."""

# Full sun takes an unshaded window between south-east and west (bearings 113 to 292 in whole degrees, where
# north of the equator the sun beats on a window for hours; common practice, no source); part shade there,
# or no shade on another side, is some sun; the rest is little.
SUN = (
    "CASE WHEN u.shade = 'full' THEN 'little' WHEN u.facing IS NULL OR u.shade = '' THEN NULL"
    " WHEN u.facing BETWEEN 113 AND 292 THEN CASE u.shade WHEN 'none' THEN 'full' ELSE 'some' END"
    " ELSE CASE u.shade WHEN 'none' THEN 'some' ELSE 'little' END END"
)

TRAITS: dict[str, Trait] = {
    trait.name: trait
    for trait in (
        Trait("part", "kind of part", "f", "f.kind", listed=lambda: _known(Kind.choices)),
        Trait("component", "type of part", "f", "f.component_type_id", key=int, listed=_types),
        Trait("construction", "construction", "u", "u.construction_id", key=int, listed=_constructions),
        Trait("finish", "color", "u", "NULLIF(u.finish, '')", listed=lambda: _known(Unit.Finish.choices)),
        # Eight sectors of 45 degrees, north from 337.5 to 22.5; a bearing is a whole number of degrees.
        Trait(
            "facing",
            "facing",
            "u",
            "((u.facing * 2 + 45) / 90) %% 8",
            key=int,
            listed=lambda: dict(enumerate(COMPASS)),
        ),
        Trait("shade", "shade", "u", "NULLIF(u.shade, '')", listed=lambda: _known(Unit.Shade.choices)),
        Trait("sun", "sun", "u", SUN, listed=lambda: SUNS),
        Trait("coast", "salt water", "s", "NULLIF(s.coast, '')", listed=lambda: _known(Site.Coast.choices)),
        Trait("lot", "lot", "f", "NULLIF(f.lot, '')"),
        Trait("year", "year fitted", "f", "CASE WHEN f.age_known THEN {year} END", key=int),
    )
}

MODE = "mode"
"""Grouping by failure mode: the same parts at risk, with the failures of each mode."""

GROUPINGS: dict[str, str] = {
    **{name: TRAITS[name].words for name in ("component", "part")},
    MODE: "failure mode",
    **{name: trait.words for name, trait in TRAITS.items() if name not in ("component", "part")},
}
"""Groupings of figures with their column headers, the default first."""

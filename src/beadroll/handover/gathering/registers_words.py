"""Words of registers (techniques, people, equipment) as the record's own: arrangements, roles, kinds of equipment.

Knows the words offices use for them (common practice, no published source). Refuses a word that fits none.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Final

from beadroll.handover.gathering.quantities import NotUnderstood
from beadroll.record.equipment import EquipmentKind
from beadroll.record.people import Role
from beadroll.record.technique import Arrangement

_ARRANGEMENTS: Final[Mapping[str, Arrangement]] = {
    "swsi": Arrangement.SWSI,
    "swsv": Arrangement.SWSI,
    "single wall single image": Arrangement.SWSI,
    "single wall": Arrangement.SWSI,
    "dwsi": Arrangement.DWSI,
    "dwsv": Arrangement.DWSI,
    "dwe swv": Arrangement.DWSI,
    "double wall single image": Arrangement.DWSI,
    "dwdi elliptical": Arrangement.DWDI_ELLIPTICAL,
    "elliptical": Arrangement.DWDI_ELLIPTICAL,
    "dwdi ellipse": Arrangement.DWDI_ELLIPTICAL,
    "dwdi superimposed": Arrangement.DWDI_SUPERIMPOSED,
    "superimposed": Arrangement.DWDI_SUPERIMPOSED,
    "dwdi perpendicular": Arrangement.DWDI_SUPERIMPOSED,
    "panoramic": Arrangement.PANORAMIC,
    "central": Arrangement.PANORAMIC,
}
_ROLES: Final[Mapping[str, Role]] = {
    **{role.value: role for role in Role},
    "rt level ii": Role.INTERPRETER,
    "film reader": Role.INTERPRETER,
    "reader": Role.INTERPRETER,
    "exposer": Role.RADIOGRAPHER,
    "second reader": Role.REVIEWER,
    "third party inspector": Role.INSPECTOR,
}
_EQUIPMENT: Final[Mapping[str, EquipmentKind]] = {
    "source": EquipmentKind.SOURCE,
    "isotope": EquipmentKind.SOURCE,
    "gamma source": EquipmentKind.SOURCE,
    "xray set": EquipmentKind.XRAY_SET,
    "x ray set": EquipmentKind.XRAY_SET,
    "x ray tube": EquipmentKind.XRAY_SET,
    "x ray": EquipmentKind.XRAY_SET,
    "scanner": EquipmentKind.SCANNER,
    "film scanner": EquipmentKind.SCANNER,
    "digitiser": EquipmentKind.SCANNER,
    "digitizer": EquipmentKind.SCANNER,
    "film digitiser": EquipmentKind.SCANNER,
    "detector": EquipmentKind.DETECTOR,
    "imaging plate": EquipmentKind.DETECTOR,
    "dda": EquipmentKind.DETECTOR,
    "densitometer": EquipmentKind.DENSITOMETER,
}


def _words(text: str) -> str:
    return " ".join(re.sub(r"[^\w]+|_", " ", text.casefold()).split())


def arrangement(text: str) -> Arrangement:
    """Return an exposure arrangement. Raises ``NotUnderstood``; DWDI alone does not say which of its two."""
    found = _ARRANGEMENTS.get(_words(text))
    if found is None:
        raise NotUnderstood("SWSI, DWSI, DWDI elliptical, DWDI superimposed or panoramic")
    return found


def roles(text: str) -> tuple[Role, ...]:
    """Return the roles of a person, separated by commas, semicolons or slashes. Raises ``NotUnderstood``."""
    found = []
    for part in re.split(r"[,;/&+\n]", text):
        if part.strip():
            role = _ROLES.get(_words(part))
            if role is None:
                raise NotUnderstood(f"roles out of {', '.join(Role)}")
            found.append(role)
    return tuple(dict.fromkeys(found))


def level(text: str) -> int:
    """Return a level of testing personnel, 1 to 3, from ``2``, ``II`` or ``Level II``. Raises ``NotUnderstood``."""
    found = {"1": 1, "i": 1, "2": 2, "ii": 2, "3": 3, "iii": 3}.get(
        _words(text).removeprefix("rt ").removeprefix("level ")
    )
    if found is None:
        raise NotUnderstood("a level: 1, 2 or 3")
    return found


def equipment_kind(text: str) -> EquipmentKind:
    """Return a kind of equipment. Raises ``NotUnderstood``."""
    found = _EQUIPMENT.get(_words(text))
    if found is None:
        raise NotUnderstood(f"a kind of equipment: {', '.join(EquipmentKind)}")
    return found

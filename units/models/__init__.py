"""Models of the register: customers, sites, units, parts, follow-up and labels."""

from .customers import Customer
from .installed_parts import InstalledPart, PartialRemoval
from .labels import UnitLabel
from .modes import FailureMode
from .observation import ObservationPeriod
from .parts import ComponentType, Construction, ConstructionPart, Kind
from .sites import Ownership, Site
from .units import Unit

__all__ = [
    "ComponentType",
    "Construction",
    "ConstructionPart",
    "Customer",
    "FailureMode",
    "InstalledPart",
    "Kind",
    "ObservationPeriod",
    "Ownership",
    "PartialRemoval",
    "Site",
    "Unit",
    "UnitLabel",
]

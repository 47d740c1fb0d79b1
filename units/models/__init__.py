"""What the register knows."""

from .customers import Customer
from .fitments import Departure, Fitment
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
    "Departure",
    "FailureMode",
    "Fitment",
    "Kind",
    "ObservationPeriod",
    "Ownership",
    "Site",
    "Unit",
    "UnitLabel",
]

"""The caretaker: the mind of the service, without a clock, a disk or a loop of its own."""

from refreshd.caretaker.caretaker import Caretaker, Listener
from refreshd.caretaker.status import Doing, DriveHere, Status, VisitUnderWay
from refreshd.caretaker.surroundings import Surroundings

__all__ = [
    "Caretaker",
    "Doing",
    "DriveHere",
    "Listener",
    "Status",
    "Surroundings",
    "VisitUnderWay",
]

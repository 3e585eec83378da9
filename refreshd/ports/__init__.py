"""Every protocol through which the core sees the world.

Each has one real implementation (several for `Medium`) in `refreshd.adapters`, and one
simulated in `refreshd.simulated`; the same contract tests run on both.
"""

from __future__ import annotations

from refreshd.ports.bays import (
    NO_NUMBER,
    Bays,
    NewCard,
    Notice,
    NoticeBoard,
    ProvingWish,
    Seat,
    Urgency,
    VisitOrder,
)
from refreshd.ports.clock import Clock
from refreshd.ports.health import Examiner
from refreshd.ports.media import Attendant, BlockMedium, Lanes, Medium, ReadBackMethod, StagingFile
from refreshd.ports.record import (
    Catalogue,
    CatalogueStore,
    JournalDirectory,
    JournalStore,
    Ledger,
    ShelfLock,
)

__all__ = [
    "NO_NUMBER",
    "Attendant",
    "Bays",
    "BlockMedium",
    "Catalogue",
    "CatalogueStore",
    "Clock",
    "Examiner",
    "JournalDirectory",
    "JournalStore",
    "Lanes",
    "Ledger",
    "Medium",
    "NewCard",
    "Notice",
    "NoticeBoard",
    "ProvingWish",
    "ReadBackMethod",
    "Seat",
    "ShelfLock",
    "StagingFile",
    "Urgency",
    "VisitOrder",
]

"""What the pages of an NVMe drive say together."""

from __future__ import annotations

from refreshd.health_cards import Measure, PageName
from refreshd.pages import nvme
from refreshd.pages.gathering import Gathering
from refreshd.pages.telling import Told

EXPECTED = (Measure.POWER_ON_HOURS, Measure.MEDIA_ERRORS, Measure.CELSIUS)


def told_by_nvme(notes: Gathering) -> Told:
    """Return what an NVMe drive says; each measure stands on one page alone."""
    notes.decoded(PageName.NVME_IDENTIFY, nvme.identify)
    limit = notes.decoded(PageName.NVME_IDENTIFY, nvme.celsius_limit)
    if limit is not None:
        notes.take(Measure.CELSIUS_LIMIT, limit, PageName.NVME_IDENTIFY)
    tests = notes.decoded(PageName.NVME_SELF_TEST_LOG, nvme.self_tests) or ()
    found = notes.decoded(PageName.NVME_HEALTH, nvme.health)
    if found is None:
        if PageName.NVME_HEALTH in notes.raw.pages:
            notes.refuse_page(PageName.NVME_HEALTH, EXPECTED)
        return Told(self_tests=tests)
    notes.take_all(found.values, found.refused, PageName.NVME_HEALTH)
    return Told(found.says, tests, found.warnings)

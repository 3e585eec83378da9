"""What only the simulated catalogue can do: go back to a snapshot, as a power cut does."""

from __future__ import annotations

from datetime import date

from refreshd.quantities import PassKind
from refreshd.simulated.catalogue import MemoryCatalogue
from tests.builders import K07, Scribe, begun, opened, proved, taken_in


def test_a_restored_snapshot_knows_nothing_of_later_transactions() -> None:
    """I6: a simulated cut can lose the last transaction as a whole."""
    scribe, catalogue = Scribe(), MemoryCatalogue()
    refresh = begun(2, PassKind.REFRESH)
    catalogue.apply(scribe.entries(*taken_in(40), refresh))
    before = catalogue.snapshot()
    catalogue.apply(scribe.entries(proved(refresh, 0, 8, date(2026, 4, 2)), opened(1, 9)))
    after = catalogue.snapshot()
    catalogue.restore(before)

    assert set(catalogue.written_days(K07, 0, 40)) == {0}
    assert catalogue.findings() == ()
    state = catalogue.unfinished_pass(K07, PassKind.REFRESH)
    assert state is not None
    assert state.next_chunk == 0

    catalogue.restore(after)

    assert len(catalogue.findings()) == 1
    assert catalogue.written_days(K07, 0, 1)[0] == date(2026, 4, 2).toordinal()


def test_a_snapshot_is_not_changed_by_the_catalogue_restored_from_it() -> None:
    """One snapshot serves many simulated cuts."""
    scribe, catalogue = Scribe(), MemoryCatalogue()
    catalogue.apply(scribe.entries(*taken_in(40)))
    snapshot = catalogue.snapshot()
    for _ in range(2):
        catalogue.restore(snapshot)
        catalogue.apply(scribe.fork().entries(opened(1, 3)))

        assert len(catalogue.findings()) == 1
    catalogue.restore(snapshot)

    assert catalogue.findings() == ()

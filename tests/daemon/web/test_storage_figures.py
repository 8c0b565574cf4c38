"""How the history stands on its disk, as health and metrics tell it."""

from __future__ import annotations

from daemon.journal.manifest import DiskUse
from daemon.web.access.permissions import Permission
from tests.support.web_kit import Rig

FULL = "tegwatch-archive: No space left on device"


async def test_health_and_metrics_tell_what_is_used_deleted_and_failing(rig: Rig) -> None:
    viewer, _ = rig.token(Permission.VIEW)
    scraper, _ = rig.token(Permission.METRICS)
    storage = rig.daemon.storage
    async with rig.client() as client:
        before = (await client.get("/v1/health", headers=viewer)).json()
        assert before["storage"] == {
            "archive_failing": "", "archived_scans": 0, "deleted_unarchived": 0, "bytes": None,
        }  # fmt: skip
        assert "tegwatch_storage_bytes{" not in (await client.get("/metrics", headers=scraper)).text
        storage.failing, storage.deleted_unarchived, storage.archived_scans = FULL, 8640, 12
        storage.disk = DiskUse(journal=1000, scans=200, minutes=30, hours=4)
        after = (await client.get("/v1/health", headers=viewer)).json()
        scrape = (await client.get("/metrics", headers=scraper)).text
    assert (after["status"], after["reasons"][-1]) == ("degraded", f"archive: {FULL}")
    assert after["storage"]["bytes"] == {"journal": 1000, "scans": 200, "minutes": 30, "hours": 4}
    for line in (
        'tegwatch_storage_bytes{part="journal"} 1000.0', 'tegwatch_storage_bytes{part="minutes"} 30.0',
        "tegwatch_archive_failing 1.0", "tegwatch_archived_scans_total 12.0",
        "tegwatch_scans_deleted_unarchived_total 8640.0",
    ):  # fmt: skip
        assert line in scrape.splitlines()

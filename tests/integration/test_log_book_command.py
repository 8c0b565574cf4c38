"""``tegwatch sample`` and ``tegwatch maintenance`` with the real daemon on its socket."""

from __future__ import annotations

import asyncio
import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

from daemon.cli.commands import app
from tests.integration.test_daemon import SITE, Plant, plant
from tests.support.daemon_process import run_command, running_daemon

pytestmark = [pytest.mark.slow, pytest.mark.timeout(180)]
__all__ = ["plant"]


ENTERED = [
    (
        ("sample", "add", "{site}", "unit-1", "--rich-water", "4.8wt%", "--ph", "7.3", "--chlorides",
         "350 mg/kg", "--solids", "0.02 wt%", "--note", 'smells of "oil"', "--as", "maria"),
        'lab sample: rich 4.8 wt% water, pH 7.3, chlorides 350 mg/kg, solids 0.02 wt%; smells of "oil"',
    ),
    (("maintenance", "add", "{site}", "unit-1", "glycol change", "--as", "jo"), "glycol change"),
    (
        ("maintenance", "add", "{site}", "unit-1", "filter change", "--note", "element of 5 um",
         "--done", "-1s", "--as", "jo"),
        "filter change; element of 5 um",
    ),
    (("maintenance", "add", "{site}", "unit-1", "pump swap", "--as", "jo"), "pump swap"),
]  # fmt: skip


async def test_samples_and_work_are_kept_and_stand_in_history_and_report(
    plant: Plant, tmp_path: Path
) -> None:
    site = tmp_path / "site.toml"
    async with running_daemon(tmp_path, SITE.format(port=plant.port)) as daemon:
        await daemon.until(
            lambda: daemon.value("reboiler_temperature"), lambda found: found["value"] is not None
        )
        for words, kept in ENTERED:
            code, out, err = await run_command(*(word.format(site=site) for word in words))
            assert (code, out.splitlines()[0], err) == (0, f"kept: {kept}", "")

        code, out, _ = await run_command(
            "history", str(site), "unit-1", "--records", "--from", "-1h", "--format", "jsonl"
        )
        assert code == 0
        records = [json.loads(line) for line in out.splitlines()]
        entered = [
            (each["name"], each["message"])
            for each in records
            if each["name"] in {"lab sample", "maintenance"}
        ]
        assert [name for name, _ in entered] == ["lab sample", *["maintenance"] * 3]
        assert [text.split(";")[0] for _, text in entered[1:]] == [
            "glycol change",
            "filter change",
            "pump swap",
        ]

        report = tmp_path / "report.html"
        code, _, err = await run_command(
            "report", str(site), "--from", "-1h", "--to", "now", "--output", str(report)
        )
        assert code == 0, err
        section = report.read_text().partition("Samples and maintenance")[2].partition("</table>")[0]
        cells = re.findall(r"<td>(.*?)</td>", section)
        assert len(cells) == 4 * 3
        assert any(
            "pH 7.3, chlorides 350 mg/kg" in cell and "smells of &quot;oil&quot;" in cell for cell in cells
        )
        assert {"Pump swap", "Filter change; element of 5 um", "maria", "jo"} <= set(cells)


WRONG = [
    (("sample", "add", "{site}", "unit-1"), 2, "a sample needs at least one value"),
    (("sample", "add", "{site}", "unit-1", "--lean-water", "1.2"), 2, '--lean-water: "1.2" has no unit'),
    (("sample", "add", "{site}", "unit-1", "--lean-water", "1.2 psi"), 2, "--lean-water:"),
    (("sample", "add", "{site}", "unit-1", "--lean-water", "98.8 wt%"), 5, "between 0 and 30"),
    (
        ("sample", "add", "{site}", "unit-1", "--lean-water", "5wt%", "--rich-water", "1wt%"),
        5,
        "are the two swapped?",
    ),
    (("sample", "add", "{site}", "unit-1", "--ph", "15"), 2, "less than or equal to 14"),
    (("sample", "add", "{site}", "unit-1", "--ph", "7", "--taken", "2099-01-01"), 5, "has not come yet"),
    (("sample", "add", "{site}", "unit-1", "--ph", "7", "--taken", "noon"), 2, '--taken: "noon" is no time'),
    (("sample", "add", "{site}", "west", "--ph", "7"), 5, "west"),
    (("maintenance", "add", "{site}", "unit-1", "polishing"), 2, '"polishing" is none of: glycol change'),
    (("maintenance", "add", "{site}", "unit-1", "other"), 5, "other work needs a note"),
    (("maintenance", "add", "{site}", "west", "cleaning"), 5, "west"),
]  # fmt: skip


async def test_what_cannot_be_right_is_refused_with_the_reason_and_nothing_is_kept(
    plant: Plant, tmp_path: Path
) -> None:
    site = tmp_path / "site.toml"
    async with running_daemon(tmp_path, SITE.format(port=plant.port)):
        for words, expected, reason in WRONG:
            arguments = [word.format(site=site) for word in words]
            answer = await asyncio.to_thread(CliRunner().invoke, app, arguments)
            assert (answer.exit_code, answer.stdout) == (expected, ""), answer.stderr
            assert reason in " ".join(answer.stderr.split())
        _, out, _ = await run_command("history", str(site), "--records", "--from", "-1h")
        assert "lab sample" not in out
        assert "maintenance" not in out
    code, _, err = await run_command("sample", "add", str(site), "unit-1", "--ph", "7")
    assert code == 4  # nobody answers any more
    assert "daemon" in err

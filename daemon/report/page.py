"""The report as one HTML file: no scripts, nothing from elsewhere, made to be printed."""

from __future__ import annotations

from html import escape

from daemon.report import sections
from daemon.report.plots import Frame
from daemon.report.sections import Subject

STYLE = """
@page { size: auto; margin: 14mm 13mm 18mm; font: 8pt "DejaVu Sans", Arial, sans-serif; color: #46535f;
  @bottom-left { content: string(subject); } @bottom-right { content: counter(page) " of " counter(pages); }
  @bottom-center { content: "Calculated values. No safety system." ; } }
* { box-sizing: border-box; }
body { font: 10.5pt/1.42 "DejaVu Sans", "Segoe UI", "Helvetica Neue", Arial, sans-serif; color: #16202a;
  background: #fff; max-width: 186mm; margin: 8mm auto; padding: 0 4mm; }
header { border-bottom: 2.5pt solid #16202a; padding-bottom: 3mm; margin-bottom: 5mm; }
h1 { string-set: subject content(); font-size: 20pt; line-height: 1.15; margin: 0 0 1.5mm;
  letter-spacing: -0.01em; }
header p { margin: 0; color: #46535f; }
h2 { font-size: 13.5pt; margin: 8mm 0 2.5mm; break-after: avoid; }
h3 { font-size: 11pt; margin: 5mm 0 2mm; break-after: avoid; }
p { margin: 2mm 0; max-width: 165mm; }
p.caution { border-left: 3pt solid #b3261e; padding: 1.5mm 0 1.5mm 4mm; margin: 4mm 0; }
section > p { color: #46535f; font-size: 9.5pt; }
table { border-collapse: collapse; width: 100%; margin: 2mm 0 3mm; font-variant-numeric: tabular-nums; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
th { text-align: right; font-weight: 600; font-size: 9pt; color: #46535f; border-bottom: 1pt solid #16202a;
  padding: 1mm 2mm; vertical-align: bottom; }
td { text-align: right; border-bottom: 0.5pt solid #d4dae0; padding: 1.1mm 2mm; vertical-align: top; }
th:first-child, td:first-child { text-align: left; padding-left: 0; }
th:last-child, td:last-child { padding-right: 0; }
table.facts, table.amounts, table.verdicts { break-inside: avoid; }
table.facts thead { display: none; }
table.facts { border-top: 1pt solid #16202a; }
table.facts td:last-child { font-weight: 600; }
table.amounts th:last-child, table.amounts td:last-child, table.verdicts th:nth-child(n+3),
table.verdicts td:nth-child(n+3), table.alarms th:nth-child(2), table.alarms td:nth-child(2),
table.gaps th, table.gaps td, table.log-book th, table.log-book td { text-align: left; }
table.amounts td:last-child { color: #46535f; font-size: 9.5pt; padding-left: 5mm; }
table.amounts td:nth-child(2) { font-weight: 600; white-space: nowrap; }
table.log-book td:first-child { white-space: nowrap; }
table.states, table.gaps { width: auto; min-width: 60%; }
figure { margin: 0 0 4mm; break-inside: avoid; }
figcaption { font-size: 10pt; margin-bottom: 0.5mm; }
figcaption small { color: #46535f; font-size: 9.5pt; margin-left: 1mm; }
svg { display: block; width: 100%; height: auto; }
.key { margin-left: 5mm; font-size: 9.5pt; } .key::before { content: ""; display: inline-block; width: 7mm;
  border-top: 2pt solid #12507b; vertical-align: middle; margin-right: 1.5mm; }
.key.l1::before { border-top: 2pt dashed #c26a00; }
.none { color: #46535f; border: 0.5pt dashed #a8b2bc; padding: 4mm; text-align: center; max-width: none; }
footer { border-top: 1pt solid #16202a; margin-top: 8mm; padding-top: 2mm; font-size: 9pt; color: #46535f; }
@media print {
  body { margin: 0; padding: 0; max-width: none; font-size: 9.5pt; }
  section.page { break-before: page; }
}
"""

CAUTION = (
    "Calculated from the site's own instruments; check before acting. Glycol units burn, hold pressure and "
    "may hold H₂S and benzene: site procedures, local codes and licensed practice come first. This is no "
    "safety system and replaces no shutdown."
)


def page(about: Subject, *, written: float, version: str, configuration: str) -> str:
    """Write the whole report.

    Parameters
    ----------
    about : Subject
        What it speaks of.
    written : float
        When it is written [POSIX s].
    version, configuration : str
        Of the program, and the hash of the site file, for the record.
    """
    figures, time = about.figures, about.time
    frame = Frame(figures.begin, figures.end, figures.times, about.wording.zone)
    unit = about.unit.title or about.unit.name
    site = about.site.site.title or about.site.site.name
    parts = [
        ("", sections.summary(about)),
        ("", sections.trends(about, frame)),
        ("", sections.circulation(about)),
        ("", sections.glycol(about)),
        ("", sections.strokes(about)),
        ("", sections.alarms(about)),
        ("", sections.log_book(about)),
        ("", sections.availability(about)),
    ]
    body = "".join(f'<section class="{kind}">{text}</section>' for kind, text in parts)
    title = f"{unit}, {site}"
    return (
        '<!DOCTYPE html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}</style></head><body>"
        f"<header><h1>{escape(unit)}</h1><p>{escape(site)}<br/>"
        f"{escape(time(figures.begin))} to {escape(time(figures.end))}</p></header>"
        f'<p class="caution">{escape(CAUTION)}</p>{body}'
        f"<footer>Written {escape(time(written))} by tegwatch {escape(version)}, configuration "
        f"{escape(configuration)}. Gaps are left out of every sum. Standard gas at 15 °C and 101.325 kPa "
        "unless the unit says otherwise.</footer></body></html>\n"
    )

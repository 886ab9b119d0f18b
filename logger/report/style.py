# ruff: noqa: E501
"""How a report looks, on glass and on paper."""

from typing import Final

STYLE: Final = """
:root { --ink: #1c1410; --soft: #4a3a30; --rule: #6e5544; --faint: #e2d5be; --clay: #8a3214; --paper: #fdfaf3; }
* { box-sizing: border-box; }
html { background: var(--faint); color: var(--ink); font: 17px/1.35 Charter, "Bitstream Charter", "DejaVu Serif", Georgia, serif; }
body { margin: 0; }
main { max-width: 1020px; margin: 0 auto; }
.sheet { background: var(--paper); padding: 22px 26px 26px; }
h1, h2, p, dl, dd, ol, figure { margin: 0; padding: 0; }
h1 { font-size: 1.6em; line-height: 1.15; overflow-wrap: anywhere; }
h2 { font-size: 1.1em; margin: 0.9em 0 0.25em; padding-top: 0.25em; border-top: 3px double var(--clay); }
header { border-bottom: 6px solid var(--clay); padding-bottom: 0.4em; }
.invented { font-weight: bold; font-style: italic; color: var(--clay); }
.id { white-space: nowrap; }
.soft { color: var(--soft); }
.pair { display: grid; grid-template-columns: minmax(0, 1fr) minmax(0, 1.25fr); gap: 0 26px; }
.pair h2 { border-top: 0; }
.wide { overflow-x: auto; }
dl > div { display: grid; grid-template-columns: 9.2em minmax(0, 1fr); gap: 0 0.8em; border-bottom: 1px solid var(--faint); padding: 0.1em 0; }
dt { color: var(--soft); }
dd { white-space: pre-line; overflow-wrap: anywhere; }
table { border-collapse: collapse; width: 100%; }
th, td { text-align: left; font-weight: normal; vertical-align: top; padding: 0.12em 0.5em 0.12em 0; border-bottom: 1px solid var(--faint); overflow-wrap: break-word; }
thead th { color: var(--soft); font-style: italic; border-bottom: 1px solid var(--rule); }
tbody th { font-weight: bold; }
td.n { font-variant-numeric: tabular-nums lining-nums; white-space: nowrap; }
.compared tbody th { font-weight: normal; color: var(--soft); }
.traces { margin-top: 0.8em; }
.traces svg { display: block; width: 100%; height: auto; }
figcaption, .basis { font-size: 16px; color: var(--soft); }
.photos { display: grid; grid-template-columns: repeat(auto-fill, minmax(280px, 1fr)); gap: 14px; align-items: start; }
.photos img { width: 100%; height: auto; break-inside: avoid; }
.happened { list-style: none; columns: 19em 3; column-gap: 22px; }
.happened li { display: grid; grid-template-columns: 2.2em 2.8em minmax(0, 1fr); break-inside: avoid; padding: 0.05em 0; overflow-wrap: anywhere; }
.happened .no { text-align: right; padding-right: 0.5em; white-space: nowrap; }
.happened .t { font-variant-numeric: tabular-nums lining-nums; color: var(--soft); }
.happened .alarm { color: #9c1400; }
.happened .good { color: var(--soft); font-style: italic; }
.facts { columns: 21em 2; column-gap: 26px; }
.facts > div { grid-template-columns: 1.3fr 1fr; break-inside: avoid; }
.compared { margin-top: 0.5em; }
footer { margin-top: 1em; border-top: 3px double var(--clay); padding-top: 0.3em; }
footer .first { font-weight: bold; }
.printed { display: none; }
@media (max-width: 760px) { .pair { grid-template-columns: minmax(0, 1fr); } .sheet { padding: 14px 14px 18px; } .traces svg, .wide table { min-width: 680px; } .traces { overflow-x: auto; } figcaption { position: sticky; left: 0; max-width: calc(100vw - 28px); } }
@page { size: A4; margin: 11mm 13mm; }
@media print {
  html { background: none; font-size: 8.6pt; line-height: 1.25; }
  main { max-width: none; }
  .sheet { padding: 0; background: none; }
  .sheet + .sheet { break-before: page; }
  .pair { gap: 0 5mm; }
  .pair dl > div { grid-template-columns: 7.4em minmax(0, 1fr); }
  .wide { overflow: visible; }
  .happened { columns: 3; column-gap: 4mm; font-size: 7.6pt; }
  .photos { grid-template-columns: 1fr 1fr; gap: 4mm; }
  .photos img { max-height: 82mm; object-fit: contain; }
  .facts { columns: 2; font-size: 8pt; }
  .compared, .probes { font-size: 8pt; }
  figcaption, .basis, footer { font-size: 7.4pt; }
  .beyond { display: none !important; }
  .printed { display: block; }
  h2 { break-after: avoid; }
  tr, .came > div { break-inside: avoid; }
  * { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
}
"""

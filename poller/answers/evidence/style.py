"""How the report looks, on a screen and on paper; without colour it says the same."""

from __future__ import annotations

from typing import Final

STYLE: Final = """
@page { size: A4; margin: 16mm 15mm 18mm; }
* { box-sizing: border-box; }
body { font: 10pt/1.4 sans-serif; color: #16202a; background: #fff; }
body { max-width: 60rem; margin: 2rem auto; padding: 0 1.2rem; }
h1 { font-size: 19pt; line-height: 1.2; margin: 0; }
h2 { font-size: 13.5pt; margin: 2.2rem 0 .5rem; border-bottom: 1.5pt solid #16202a; }
h3 { font-size: 10.5pt; margin: 1.1rem 0 .3rem; }
h4 { font-size: 9.5pt; margin: .9rem 0 .2rem; color: #47535f; }
h2, h3, h4 { break-after: avoid; }
a { color: #1a4f8b; }
.span { margin: .2rem 0 1rem; font-size: 12pt; }
.quiet { color: #5b6672; }
table { border-collapse: collapse; width: 100%; margin: .2rem 0 .6rem; font-size: 9pt; }
th, td { text-align: left; vertical-align: top; padding: .22rem .7rem .22rem 0; }
th, td, p, li { overflow-wrap: anywhere; }
td { min-width: 4.2rem; }
thead { display: table-header-group; }
thead th { font-weight: normal; color: #47535f; border-bottom: .75pt solid #8894a0; }
thead th { overflow-wrap: normal; }
tbody tr { border-bottom: .5pt solid #dfe4e8; break-inside: avoid; }
.pairs th { font-weight: normal; color: #47535f; width: 10rem; }
time, .event, code { font-variant-numeric: tabular-nums; }
time { white-space: nowrap; }
.event, code { font-family: monospace; font-size: .92em; }
.event { background: #eef1f4; padding: 0 .3em; border-radius: .2em; }
.remarks { list-style: none; padding: 0; }
.remarks li { padding: .3rem 0 .3rem .7rem; border-left: 2pt solid #aab4be; margin: .25rem 0; }
.remarks .grave { border-left: 5pt solid #a3261c; padding-left: .55rem; font-weight: bold; }
.remarks a { font-weight: normal; }
.glance td { white-space: nowrap; }
.glance td:first-child { white-space: normal; }
.glance td:nth-child(2) { max-width: 9rem; overflow: hidden; text-overflow: ellipsis; }
.strip { display: block; width: 9rem; height: .85em; margin-top: .25em; }
.strip { border: .75pt solid #3d5a73; }
.strip { background: repeating-linear-gradient(135deg, #fff 0 2px, #d3dae0 2px 3px); }
.strip .read { fill: #3d5a73; }
.strip .gap { fill: #fff; }
.one { break-inside: avoid; }
@media screen and (max-width: 46rem) {
  table:not(.pairs) { display: block; overflow-x: auto; }
  .pairs th { width: 7rem; }
}
@media print {
  body { margin: 0; padding: 0; max-width: none; font-size: 9pt; }
  table { font-size: 8pt; }
  a { color: inherit; text-decoration: none; }
  .remarks a { display: none; }
  .strip, .event { print-color-adjust: exact; -webkit-print-color-adjust: exact; }
  .relay { break-inside: auto; }
}
"""

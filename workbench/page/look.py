"""How the page looks: colours for light and dark, told apart by eyes that miss red or green."""

from __future__ import annotations

from collections import namedtuple
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from workbench.output.drawing import HEAT, PRESSURE, SPEED, VALVE
from workbench.words import units
from workbench.words.wording import worded

CSS = """
:root { --ink: #1b1f23; --soft: #565d64; --ground: #f5f6f7; --card: #ffffff; --line: #d3d8dd; --mark: #00569a;
  --on-mark: #ffffff; --bad: #9a1c1c; --good: #14663f; }
.body--dark { --ink: #e8eaec; --soft: #aab1b8; --ground: #15181b; --card: #1e2226; --line: #3a4147;
  --mark: #7db9f2; --on-mark: #0d1a26; --bad: #ff9b93; --good: #7fd6a8; --q-primary: #7db9f2 !important; }
.body--dark :is(.q-checkbox__svg, .q-checkbox__inner--truthy .q-checkbox__svg) { color: var(--on-mark); }
body { background: var(--ground); color: var(--ink);
  font: 15px/1.4 system-ui, "Segoe UI", "DejaVu Sans", sans-serif; }
body .nicegui-content { padding: 8px 12px 24px; gap: 8px; max-width: 1500px; margin: 0 auto; width: 100%;
  align-items: stretch; }
.q-btn { text-transform: none; } .q-btn.plain { color: var(--mark); background: transparent; }
.nicegui-tab-panel { align-items: stretch; gap: 10px; }
.q-checkbox__label, .q-toggle__label { padding-left: 6px; }
summary { cursor: pointer; } details ul { margin: 6px 0 0; padding-left: 20px; }
.card ul { padding-left: 20px; font-size: 14px; }
a:not(.q-btn) { color: var(--mark); } h1, h2, h3, p, ul, ol { margin: 0; }
h1 { font-size: 19px; font-weight: 650; line-height: 1.3; }
h2 { font-size: 15px; font-weight: 650; line-height: 1.35; }
.top { display: flex; flex-wrap: wrap; gap: 4px 14px; align-items: center; width: 100%; min-height: 38px; }
.top > .big { max-width: 22%; overflow: hidden; text-overflow: ellipsis; white-space: nowrap; }
.top .state { flex: 1 1 0; min-width: 200px; display: -webkit-box; -webkit-box-orient: vertical;
  -webkit-line-clamp: 2; overflow: hidden; overflow-wrap: anywhere; line-height: 19px; }
.card { background: var(--card); border: 1px solid var(--line); border-radius: 6px; padding: 10px 12px;
  display: flex; flex-direction: column; gap: 6px; min-width: 0; }
.soft, .error { font-size: 13.5px; } .soft { color: var(--soft); } .bad, .error { color: var(--bad); }
.good { color: var(--good); } .bad, .good, .big { font-weight: 600; } .big { font-size: 16px; }
.told, .error { white-space: pre-line; } .error:empty { display: none; }
.line { display: flex; flex-wrap: wrap; gap: 6px 12px; align-items: center; }
.field { display: grid; grid-template-columns: 1fr auto; column-gap: 8px; align-items: baseline; }
.field .q-slider { grid-column: 1 / -1; }
.q-slider { height: 22px; } .q-tab { min-height: 40px; } .q-tab-panel { padding: 8px 0; }
.q-tab-panels { background: transparent; } .shown > .big { min-height: 1.4em; } .run { min-height: 2.8em; }
.explore, .halves, .log, .thirds, .orbit { display: grid; gap: 10px; align-items: start; }
.explore { grid-template-columns: 286px minmax(0, 1fr) 372px; grid-template-rows: auto 1fr; }
.explore > .why { grid-area: 1 / 3 / 3; } .explore > .below { grid-column: 1 / 3; }
.explore > .below.halves { grid-template-columns: minmax(0, 3fr) minmax(0, 2fr); }
.halves { grid-template-columns: repeat(2, minmax(0, 1fr)); }
.log { grid-template-columns: minmax(0, 2fr) minmax(0, 3fr); }
.thirds { grid-template-columns: repeat(3, minmax(0, 1fr)); }
.orbit { grid-template-columns: minmax(0, 3fr) minmax(0, 2fr); align-items: stretch; }
.what-ifs { display: grid; gap: 4px 10px; grid-template-columns: minmax(0, 10fr) minmax(0, 11fr);
  font-size: 13.5px; } .what-ifs .q-btn { white-space: normal; align-self: start; }
.q-btn.on { color: var(--on-mark); }
.bar { display: inline-block; width: 42%; height: 9px; margin-right: 8px; background: var(--line); }
.bar i { display: block; height: 100%; background: var(--good); }
.choice { display: flex; flex-direction: column; gap: 1px; }
.runs { height: 440px; } .map { height: 300px; } .chart { height: 340px; } .tall { height: 430px; }
.curve-chart { height: 190px; cursor: ns-resize; }
.picture { background: #fff; border-radius: 4px; max-width: 100%; height: auto; display: block; }
/* Drawn on white: light and dark change places, hues stay, and black becomes the card behind. */
.body--dark .picture { filter: invert(1) hue-rotate(180deg); mix-blend-mode: screen; }
.kept { overflow-wrap: anywhere; min-width: 0; }
.scroll { overflow-x: auto; max-width: 100%; margin: 2px 0 8px; }
table.plain { border-collapse: collapse; width: 100%; font-size: 14px; }
table.plain th, table.plain td { text-align: left; padding: 3px 10px 3px 0; vertical-align: top;
  border-bottom: 1px solid var(--line); } table.plain th { font-weight: 650; }
table.plain .n { text-align: right; font-variant-numeric: tabular-nums; }
.curve { display: grid; gap: 2px 10px; align-items: center;
  grid-template-columns: minmax(70px, 1fr) minmax(70px, 1fr) auto; }
.curve .q-field { min-width: 0; } .curve .q-field__control { height: 34px; min-height: 34px; }
.cycle .moment { flex: 1 1 300px; min-height: 2.8em; }
.loop { list-style: none; padding: 0; display: flex; gap: 22px; justify-content: space-between; }
.loop li { border: 1px solid var(--line); border-radius: 6px; padding: 3px 8px; flex: 1 1 0;
  position: relative; display: flex; flex-direction: column; min-width: 0; }
.loop li span { color: var(--soft); font-size: 12.5px; line-height: 1.25; }
.loop li + li::before { content: "\\2192"; position: absolute; left: -19px; top: 6px; color: var(--ink); }
.loop li.acts { background: var(--mark); border-color: var(--mark); }
.loop li.acts, .loop li.acts span { color: var(--on-mark); }
.running { position: fixed; right: 12px; bottom: 12px; z-index: 20; flex-direction: row; }
.cautions { border-left: 4px solid var(--bad); }
.q-focus-helper { opacity: 0; } .q-btn:focus-visible { z-index: 2; }
/* The page's library forbids outlines with !important; the same in an earlier layer holds against it. */
@layer theme {
  .q-btn.on { background: var(--mark) !important; }
  .body--dark .bg-primary, .body--dark .q-uploader__header { color: var(--on-mark) !important; }
  :focus-visible:not(.q-dialog__inner) { outline: 3px solid var(--mark) !important;
    outline-offset: 2px !important; }
  .q-tab:focus-visible, .scroll:focus-visible, .q-uploader__header :focus-visible {
    outline-offset: -3px !important; }
  .q-uploader__header :focus-visible { outline-color: var(--on-mark) !important; }
  .q-field__native:focus-visible { outline: 0 !important; }
}
.q-field__control:has(.q-field__native:focus-visible) { outline: 3px solid var(--mark); }
.q-field--focused .q-field__label { color: var(--mark); }
@media (max-width: 1150px) {
  .explore { grid-template-columns: 286px minmax(0, 1fr); }
  .explore > .why { grid-area: auto / 1 / auto / -1; }
}
@media (min-width: 1900px) {
  body .nicegui-content { max-width: 2540px; } .runs, .tall { height: 620px; } .map, .chart { height: 440px; }
  .explore { grid-template-columns: 340px minmax(0, 1fr) 560px; }
}
@media (max-width: 760px) {
  body :is(.q-btn, .q-tab, .q-checkbox, summary) { min-height: 44px !important; min-width: 44px !important; }
  .q-slider { height: 44px; } .field { row-gap: 0; } .line { gap: 8px 12px; }
  body .nicegui-content { padding: 4px 6px 24px; }
  .halves, .log, .thirds, .orbit, .explore > .below.halves { grid-template-columns: minmax(0, 1fr); }
  .loop { gap: 6px; } .loop li { padding: 3px 5px; } .loop li + li::before { content: ""; }
  .explore { display: flex; flex-direction: column; align-items: stretch; }
  .q-tab-panels, .q-tab-panels > .q-panel { overflow: visible; }
  .explore > .shown { order: -1; position: sticky; top: 0; z-index: 5; padding: 6px; gap: 2px; }
  .explore > .shown > .soft, .explore > .shown > .rungs { display: none; }
  .explore > .why { position: relative; z-index: 6; background: var(--ground); }
  .explore > .card:not(.shown) [tabindex] { scroll-margin-top: 420px; }
  .shown > .big { min-height: 2.8em; } .run { min-height: 4.2em; font-size: 13px; line-height: 1.35; }
  .top > .big { max-width: 60%; }
  .top .state { flex: 1 0 100%; min-height: 38px; }
  .runs { height: 290px; } .tall { height: 380px; } .q-tab { padding: 0 9px; }
}
@media print { .top, .q-tabs { display: none !important; } }
"""


Palette = namedtuple("Palette", "ink soft line speed valve pressure heat good card band least most")
"""Colours of a chart."""
LIGHT = Palette(
    ink="#1b1f23", soft="#565d64", line="#d3d8dd", speed=SPEED, valve=VALVE,
    pressure=PRESSURE, heat=HEAT, good="#14663f", card="#ffffff", band="rgba(0,96,168,0.13)",
    least="#f2f6fa", most="#08407a",
)  # fmt: skip
DARK = Palette(
    ink="#e8eaec", soft="#aab1b8", line="#3a4147", speed="#7db9f2",
    valve="#f0a850", pressure="#7fd6a8", heat="#ff9b93", good="#7fd6a8", card="#1e2226",
    band="rgba(125,185,242,0.18)",
    least="#232a31", most="#8cc4f8",
)  # fmt: skip


@dataclass
class Look:
    """Whether the page is dark now, and who must be drawn anew when that or the units change."""

    dark: bool = False
    imperial: bool = False
    redraw: list[Callable[[], None]] = field(default_factory=list)

    @property
    def palette(self) -> Palette:
        """Colours now."""
        return DARK if self.dark else LIGHT

    def words(self, told: Any) -> str:
        """A sentence, or a note in plain form, in the units shown."""
        return units.in_words(worded(told, self.imperial), self.imperial)

    def temperature(self, value_degC: float) -> str:
        """A temperature in the units shown."""
        shown = units.shown(value_degC, "degC", self.imperial)
        return f"{units.rounded(shown)} {units.written('degC', self.imperial)}"

    def changed(self) -> None:
        """Have everything drawn anew."""
        for one in self.redraw:
            one()

#include "html.hpp"

namespace coldframe::view {

// Contrast of every text colour on its ground is above 4.5:1 in both settings
// (checked in the tests by the formula of WCAG 2.1).
const char* report_style() noexcept {
  return R"css(
:root { color-scheme: light dark; --ground: #fbfaf7; --sheet: #ffffff; --ink: #1d2329; --quiet: #545d66;
  --rule: #d8d5cc; --accent: #1c5d85; --alert: #8a3b12; --alert-ground: #fdf1e7; --good: #22632f; }
@media (prefers-color-scheme: dark) {
  :root { --ground: #101418; --sheet: #182027; --ink: #e4e8eb; --quiet: #a7b1ba;
    --rule: #37424c; --accent: #7cc0ea; --alert: #f2b183; --alert-ground: #2c2119; --good: #8fd19c; }
}
* { box-sizing: border-box; }
body { margin: 0; background: var(--ground); color: var(--ink);
  font: 16px/1.5 system-ui, "Noto Sans", "DejaVu Sans", sans-serif; }
.page { max-width: 74rem; margin: 0 auto; padding: 1.25rem clamp(0.75rem, 3vw, 2.5rem) 4rem; }
header { border-bottom: 2px solid var(--accent); margin-bottom: 1.5rem; padding-bottom: 0.75rem; }
h1 { font-size: clamp(1.6rem, 4vw, 2.3rem); line-height: 1.2; margin: 0; overflow-wrap: anywhere; }
h2 { font-size: 1.45rem; margin: 2.5rem 0 0.75rem; overflow-wrap: anywhere; }
h3 { font-size: 1.1rem; margin: 1.75rem 0 0.5rem; }
p { max-width: 46rem; margin: 0.5rem 0; }
a { color: var(--accent); }
a:focus-visible, summary:focus-visible, .scroll:focus-visible { outline: 3px solid var(--accent); outline-offset: 2px; }
nav ul { list-style: none; display: flex; flex-wrap: wrap; gap: 0.25rem 1.25rem; margin: 0.75rem 0 0; padding: 0; }
.lead { font-size: 1.1rem; }
.quiet { color: var(--quiet); }
figure { margin: 1rem 0; }
figure img { display: block; max-width: 100%; height: auto; margin: 0 auto; background: #000; border-radius: 4px; }
figcaption { color: var(--quiet); font-size: 0.9rem; margin-top: 0.4rem; overflow-wrap: anywhere; }
.charts { display: grid; grid-template-columns: repeat(auto-fit, minmax(min(100%, 24rem), 1fr)); gap: 1rem; }
.charts figure { margin: 0; background: var(--sheet); border: 1px solid var(--rule); border-radius: 6px; padding: 0.6rem 0.75rem; }
.charts figcaption { margin: 0 0 0.25rem; color: var(--ink); font-weight: 600; }
svg.chart { display: block; width: 100%; height: auto; }
.chart text { fill: var(--quiet); font-size: 13px; font-family: inherit; }
.chart .grid { stroke: var(--rule); stroke-width: 1; }
.chart .curve { fill: none; stroke: var(--accent); stroke-width: 1.2; opacity: 0.55; }
.chart .in { fill: var(--accent); }
.chart .out { fill: var(--sheet); stroke: var(--alert); stroke-width: 2; }
.scroll { overflow-x: auto; max-height: 36rem; overflow-y: auto; border: 1px solid var(--rule); border-radius: 6px; background: var(--sheet); }
table { border-collapse: collapse; font-variant-numeric: tabular-nums; }
.scroll table { width: 100%; font-size: 0.9rem; }
caption { text-align: left; color: var(--quiet); padding: 0.4rem 0.6rem; }
th, td { padding: 0.3rem 0.6rem; text-align: left; vertical-align: top; border-bottom: 1px solid var(--rule); }
thead th { position: sticky; top: 0; background: var(--sheet); border-bottom: 2px solid var(--rule); white-space: nowrap; }
td.n, th.n { text-align: right; white-space: nowrap; }
td.name, tbody th { font-weight: 500; overflow-wrap: anywhere; min-width: 9rem; }
td.why { min-width: 12rem; }
td.when, td.state { white-space: nowrap; }
.facts { width: 100%; max-width: 46rem; }
.facts th { width: 40%; min-width: 0; color: var(--quiet); font-weight: 400; }
.facts td { overflow-wrap: anywhere; }
tr.left td.state { color: var(--alert); font-weight: 600; }
tr.stay td.state { color: var(--good); }
.warning { background: var(--alert-ground); border-left: 4px solid var(--alert); padding: 0.6rem 0.9rem; margin: 0.6rem 0; max-width: 60rem; overflow-wrap: anywhere; }
.warning strong { color: var(--alert); }
footer { margin-top: 3rem; border-top: 1px solid var(--rule); color: var(--quiet); }
@media print {
  :root { --ground: #fff; --sheet: #fff; --ink: #000; --quiet: #444; --accent: #1c5d85; --alert: #8a3b12; --alert-ground: #fff; --rule: #bbb; --good: #22632f; }
  .scroll { max-height: none; overflow: visible; }
  .charts figure, tr, .warning { break-inside: avoid; }
}
)css";
}

}  // namespace coldframe::view

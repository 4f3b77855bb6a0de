/**
 * The page's look: warm paper, ink-blue text, one accent of rust; a dark variant for the eyes at night; print.
 * Verdict colours are told apart by shape too. Contrast of text is above 4.5:1 in both variants.
 */
export const STYLE = `
:root { color-scheme: light dark; --paper:#f7f1e5; --sheet:#fdf9f0; --ink:#1d2f4a; --soft:#55617a; --line:#d9cdb6; --accent:#a8431f; --good:#2f6b52; --warn:#8a5a00; --bad:#a8431f; }
@media (prefers-color-scheme: dark) { :root { --paper:#14161c; --sheet:#1b1e26; --ink:#d9dde6; --soft:#9aa4b8; --line:#343a48; --accent:#e58a5f; --good:#7fc4a2; --warn:#e0b25a; --bad:#e58a5f; } }
* { box-sizing:border-box; }
body { margin:0; overflow-wrap:anywhere; background:var(--paper); color:var(--ink); font:17px/1.55 Charter,"Iowan Old Style",Georgia,"Noto Serif",serif; }
main { max-width:62rem; margin:0 auto; padding:1.5rem 1.25rem 4rem; }
h1 { font-size:2rem; line-height:1.2; margin:.2em 0 .1em; }
h2 { font-size:1.35rem; margin:2.6rem 0 .6rem; padding-bottom:.25rem; border-bottom:2px solid var(--line); }
h3 { font-size:1.08rem; margin:1.6rem 0 .4rem; }
p { margin:.5em 0; max-width:44rem; }
a { color:var(--accent); }
.lead { font-size:1.15rem; }
.soft, figcaption { color:var(--soft); font-size:.9rem; }
.picture { margin:1.2rem 0; } .picture img { max-height:48rem; object-fit:contain; }
.glance.upright { display:grid; grid-template-columns:minmax(0,1.15fr) minmax(0,1fr); gap:0 1.8rem; align-items:start; } .glance.upright .tallies { grid-template-columns:1fr 1fr; }
.picture img { width:100%; height:auto; display:block; border-radius:3px; background:#000; }
.tallies { display:grid; grid-template-columns:repeat(auto-fit,minmax(8.5rem,1fr)); gap:.6rem; margin:1.2rem 0; padding:0; list-style:none; }
.tallies li { background:var(--sheet); border:1px solid var(--line); border-radius:4px; padding:.6rem .8rem; }
.tallies b { display:block; font-size:1.5rem; line-height:1.2; font-variant-numeric:tabular-nums; }
.tallies span { color:var(--soft); font-size:.88rem; }
.scroll { overflow-x:auto; }
table { overflow-wrap:normal; border-collapse:collapse; width:100%; font-size:.95rem; background:var(--sheet); }
th,td { text-align:left; vertical-align:top; padding:.45rem .7rem; border-bottom:1px solid var(--line); }
th { font-weight:600; }
thead th { color:var(--soft); font-size:.85rem; }
td.num { text-align:right; font-variant-numeric:tabular-nums; white-space:nowrap; }
.matters li, .advice li { margin:.55rem 0; max-width:46rem; }
.advice b { display:block; }
.plot { margin:.6rem 0 1rem; }
.plot.small { display:inline-block; width:22rem; max-width:100%; margin-right:1.5rem; vertical-align:top; }
.plot.small.upright { width:16rem; } .plot svg { width:100%; height:auto; display:block; }
svg text { font-family:inherit; fill:var(--ink); }
svg .title { font-size:13px; font-weight:600; } svg .unit { font-weight:400; fill:var(--soft); }
svg .tick { font-size:11px; fill:var(--soft); } svg .spantext { font-size:11px; fill:var(--soft); } svg .strong { fill:var(--ink); font-weight:600; }
svg .grid { stroke:var(--line); stroke-width:1; } svg .limit { stroke:var(--accent); stroke-dasharray:5 4; }
svg .expected { fill:none; stroke:var(--soft); stroke-width:1.5; } svg .fill { fill:var(--ink); fill-opacity:.07; }
svg .span { fill:var(--accent); fill-opacity:.13; } svg .bar { fill:var(--accent); fill-opacity:.55; }
svg .horizon { fill:var(--sheet); stroke:var(--soft); } svg .ring { fill:none; } svg .star { fill:var(--ink); } svg .band { fill:none; stroke:var(--accent); stroke-opacity:.35; stroke-width:7; stroke-linecap:round; stroke-linejoin:round; } svg .moon { fill:var(--sheet); stroke:var(--ink); stroke-width:1.5; } svg .target { fill:none; stroke:var(--accent); stroke-width:2; }
svg .m.keep, svg .m.plain { fill:var(--good); } svg .m.plain { fill:var(--ink); } svg .m.doubt { fill:var(--warn); } svg .m.drop { stroke:var(--bad); stroke-width:2.4; fill:none; } svg .m.hope { fill:none; stroke:var(--soft); stroke-width:1.6; }
svg .cell { fill:var(--accent); stroke:var(--line); } svg .cell.none { fill:none; } svg .celltext { font-size:12px; } svg .celltext.light { fill:var(--sheet); }
.sheet { display:grid; grid-template-columns:repeat(auto-fill,minmax(13rem,1fr)); gap:.9rem; padding:0; list-style:none; }
.sheet.keepers { grid-template-columns:repeat(auto-fill,minmax(9rem,1fr)); }
.sheet li { background:var(--sheet); border:1px solid var(--line); border-radius:4px; overflow:hidden; }
.sheet img { width:100%; display:block; background:#000; }
.sheet li:target { outline:3px solid var(--accent); }
.sheet img.stars { border-top:1px solid var(--line); image-rendering:pixelated; }
.sheet .gap { margin:0; padding:2.5rem .6rem; text-align:center; color:var(--soft); background:var(--paper); }
.best { margin:.4rem 0 .8rem; } .best img { width:24rem; max-width:100%; height:auto; display:block; border:1px solid var(--line); image-rendering:pixelated; }
.contents { display:flex; flex-wrap:wrap; gap:.3rem 1.2rem; list-style:none; padding:.5rem 0; margin:1.2rem 0 0; border-top:1px solid var(--line); border-bottom:1px solid var(--line); }
h2.quiet { font-size:1.08rem; border:0; margin:1.6rem 0 .4rem; padding:0; }
tr.differs td { font-weight:600; }
.plots { overflow-x:auto; }
.plot.sky { width:24rem; max-width:100%; margin:.4rem 0; }
.beside { display:grid; grid-template-columns:minmax(0,24rem) minmax(0,1fr); gap:1.5rem; align-items:start; }
:focus-visible { outline:3px solid var(--accent); outline-offset:2px; }
.sheet div { padding:.4rem .6rem .55rem; font-size:.88rem; line-height:1.4; overflow-wrap:anywhere; }
.mark { font-weight:600; } .mark.keep { color:var(--good); } .mark.doubt { color:var(--warn); } .mark.drop { color:var(--bad); }
.maps { display:grid; grid-template-columns:repeat(auto-fit,minmax(12rem,1fr)); gap:1rem; margin:1rem 0; } .maps figure { margin:0; max-width:30rem; } .maps img { width:100%; display:block; border:1px solid var(--line); }
footer { margin-top:3rem; border-top:2px solid var(--line); padding-top:.8rem; }
@media (max-width:40rem) { .glance.upright { display:block; } .beside { grid-template-columns:minmax(0,1fr); } .plots .plot { width:42rem; } table.wide { min-width:38rem; } .sheet { grid-template-columns:repeat(auto-fill,minmax(9.5rem,1fr)); } .sheet.keepers { grid-template-columns:repeat(auto-fill,minmax(6.5rem,1fr)); } body { font-size:16px; } main { padding:1rem .8rem 3rem; } h1 { font-size:1.6rem; } .stack-cells td, .stack-cells th { padding:.4rem .45rem; } }
@media print { h3,.best,p.soft { break-after:avoid; } .maps { grid-template-columns:repeat(4,1fr); gap:.5rem; } .plot.small,.plot.small.upright { width:6cm; } .plot.sky { width:9cm; } .sheet div { font-size:8.5pt; } .sheet.keepers div { font-size:7pt; padding:.2rem .3rem; } .contents { display:none; } .plots,.scroll { overflow:visible; } .sheet { grid-template-columns:repeat(4,1fr); } .sheet.keepers { grid-template-columns:repeat(6,1fr); } .picture img { max-height:16cm; width:auto; max-width:100%; margin:0 auto; } .scroll,.plots { break-inside:auto; } :root { --paper:#fff; --sheet:#fff; --ink:#111; --soft:#444; --line:#bbb; --accent:#8a3213; --good:#1d5b41; --warn:#6d4700; --bad:#8a3213; } body { font-size:10.5pt; } h1,h2 { break-after:avoid; } figure, li, tr { break-inside:avoid; } a { color:inherit; } }
`;

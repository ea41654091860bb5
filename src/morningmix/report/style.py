"""How the page looks: paper by day, dusk at night, ink on paper when printed.

One colour for sound and one for what deserves a look; words and shapes say the same. Text keeps a contrast of at least
4.5 to 1 to whatever is behind it, lines that carry meaning 3 to 1 (WCAG 2.2, 1.4.3 and 1.4.11).
"""

from __future__ import annotations

from collections.abc import Mapping

LIGHT: Mapping[str, str] = {
    "paper": "#f2f5f8",
    "card": "#ffffff",
    "ink": "#16232e",
    "soft": "#475866",
    "rule": "#cdd7df",
    "sound": "#1b6a8c",
    "faint": "#a9cbdb",
    "look": "#93306f",
    "calm": "#e6eff3",
    "sky": "#fbe3d0",
    "hill": "#bcd6e2",
}

DARK: Mapping[str, str] = {
    "paper": "#0f171e",
    "card": "#17222b",
    "ink": "#e7eef3",
    "soft": "#a9bac6",
    "rule": "#33434f",
    "sound": "#6fbcdb",
    "faint": "#2f5f75",
    "look": "#eaa3cf",
    "calm": "#1f2f3a",
    "sky": "#33263a",
    "hill": "#244a5c",
}


def _colours(colours: Mapping[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in colours.items())


CSS = (
    f"""
:root{{color-scheme:light dark;{_colours(LIGHT)}}}
@media (prefers-color-scheme:dark){{:root{{{_colours(DARK)}}}}}
"""
    + """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);font:1rem/1.55 system-ui,sans-serif;overflow-wrap:break-word}
a{color:var(--sound)}
:focus-visible{outline:3px solid var(--look);outline-offset:2px}
.inside{max-width:66rem;margin:0 auto;padding:0 clamp(1rem,4vw,2.5rem)}
header{background:linear-gradient(var(--sky),var(--paper))}
header .inside{padding-top:clamp(1.5rem,5vw,3.5rem)}
header .picture{margin-top:1.5rem}
h1{font-size:clamp(1.55rem,4.6vw,2.5rem);line-height:1.18;letter-spacing:-.015em;margin:0 0 .8rem;
max-width:24em;text-wrap:balance}
h2{font-size:clamp(1.3rem,3vw,1.65rem);line-height:1.25;letter-spacing:-.01em;margin:3.2rem 0 .6rem}
h3{font-size:1.08rem;line-height:1.3;margin:2rem 0 .4rem}
p{margin:.5rem 0;max-width:44em}
.lead{font-size:1.1rem}
.quiet{color:var(--soft)}
.legend,figcaption{color:var(--soft);font-size:.92rem;max-width:48em}
ul.plain{list-style:none;margin:0;padding:0}
nav ul{display:flex;flex-wrap:wrap;gap:.3rem 1.3rem}
nav a{display:inline-block;padding:.3rem 0}
.cards{display:grid;gap:.8rem;grid-template-columns:repeat(auto-fill,minmax(min(100%,17rem),1fr));margin:1rem 0}
.card{background:var(--card);border:1px solid var(--rule);border-radius:.7rem;padding:.8rem 1rem;min-width:0}
.card p{margin:.15rem 0}
.card h3{margin:.1rem 0 .2rem}
.card .big{font-size:1.5rem;font-weight:650;letter-spacing:-.01em}
audio{display:block;width:100%;min-height:44px;margin:.4rem 0}
.finding{border-left:.35rem solid var(--look)}
.fine-day{border-left:.35rem solid var(--sound)}
figure{margin:1rem 0;background:var(--card);border:1px solid var(--rule);border-radius:.7rem;
padding:1rem clamp(.75rem,2.5vw,1.4rem);min-width:0}
figure h3{margin-top:0}
.picture{display:block;overflow:hidden}
.defs{position:absolute}
.pair{display:grid;gap:0 1rem;grid-template-columns:repeat(auto-fit,minmax(min(100%,25rem),1fr))}
text{font:400 13px system-ui,sans-serif;fill:var(--ink)}
.name{font-weight:600}
.fine{font-size:12px;fill:var(--soft)}
.tiny{font-size:11px}
.strong{font-size:12px;font-weight:650;fill:var(--look)}
.halo{paint-order:stroke;stroke:var(--card);stroke-width:4px;stroke-linejoin:round}
line,path{fill:none;vector-effect:non-scaling-stroke}
.grid{stroke:var(--rule);stroke-width:1}
.floor{stroke:var(--soft);stroke-width:1}
.edge{stroke:var(--ink);stroke-width:2}
.calm{fill:var(--calm)}
.calm-edge{stroke:var(--soft);stroke-width:1;stroke-dasharray:1 4}
.own{fill:var(--sound)}
.open{fill:var(--faint);stroke:var(--sound);stroke-width:1}
.round{rx:6px}
.column{rx:2px}
.reach{stroke:var(--sound);stroke-width:2}
.typical{fill:var(--card);stroke:var(--ink);stroke-width:1.5}
.peak{stroke:var(--ink);stroke-width:3}
.burst{stroke:var(--look);stroke-width:2.5;stroke-linecap:round}
.mark{stroke:var(--sound);stroke-width:2.5;stroke-linecap:round}
.mark-dot{fill:var(--sound)}
.mark.now{stroke:var(--look)}
.mark-dot.now{fill:var(--look)}
.nothing{stroke:var(--soft);stroke-width:2;stroke-dasharray:2 7}
.unclear{fill:url(#hatch)}
.hatch-line{stroke:var(--soft);stroke-width:2}
.song{fill:var(--calm)}
.song-head{fill:var(--card);stroke:var(--soft)}
.song-number{font-weight:650}
.hill{fill:var(--hill)}
.curve{stroke:var(--sound);stroke-width:2;stroke-linejoin:round}
.target{stroke:var(--look);stroke-width:2;stroke-dasharray:9 5}
.held{fill:var(--look)}
.slope{stroke:var(--look);stroke-width:2.5;stroke-dasharray:9 5}
.slope-halo{stroke:var(--card);stroke-width:6}
.slope-dot{fill:var(--card);stroke:var(--look);stroke-width:2}
.stands{fill:var(--sound);stroke:var(--card);stroke-width:1.5}
.wide{fill:var(--faint);stroke:var(--sound);rx:12px}
.ridge{stroke:var(--sound);stroke-width:1}
.ridge-1{fill:var(--calm)}
.ridge-2{fill:var(--faint)}
.ridge-3{fill:var(--sound)}
.key{display:inline-block;width:1.5em;height:.7em;border-radius:.2em;border:1px solid var(--sound)}
.key-1{background:var(--calm)}.key-2{background:var(--faint)}.key-3{background:var(--sound)}
details{margin:.6rem 0}
summary{cursor:pointer;padding:.25rem 0;color:var(--sound)}
.why{background:var(--card);border:1px solid var(--rule);border-radius:.7rem;padding:.3rem 1rem;margin:.5rem 0}
.why summary{color:var(--ink)}
.scroll{overflow-x:auto;background:var(--card);border:1px solid var(--rule);border-radius:.7rem;margin:.8rem 0}
table{border-collapse:collapse;width:100%;font-size:.92rem;font-variant-numeric:tabular-nums}
caption{text-align:left;padding:.6rem .8rem;color:var(--soft)}
th,td{text-align:left;vertical-align:top;padding:.45rem .8rem;border-top:1px solid var(--rule);overflow-wrap:normal}
thead th{border-top:0;white-space:nowrap}
tbody th{font-weight:600;min-width:7.5rem}
td{min-width:5.5rem}
.pair thead th{white-space:normal}
.pair td{min-width:4.5rem}
td.words{min-width:15rem}
.why .scroll{border:0;border-radius:0;margin:.3rem 0}
.guess{font-style:italic;font-weight:400}
footer{margin-top:4rem;padding:1.5rem 0 3rem;border-top:1px solid var(--rule);background:var(--card)}
footer h2{margin-top:.5rem}
dt{font-weight:650;margin-top:.6rem}
dd{margin:0;max-width:44em}
"""
    + f"""
@media print{{
:root{{{_colours(LIGHT)}color-scheme:light}}
body{{background:none;font-size:10pt}}
header{{background:none}}
nav{{display:none}}
.scroll{{overflow:visible}}
figure,.card,.why,tr{{break-inside:avoid}}
h2,h3{{break-after:avoid}}
*{{print-color-adjust:exact;-webkit-print-color-adjust:exact}}
details::details-content{{content-visibility:visible;block-size:auto}}
}}
"""
)

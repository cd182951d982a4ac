"""The style sheet of the HTML report: light and dark, paper, phone. Ours; no font, image or script from elsewhere."""

# Text and its background in both schemes; a test holds every pair to a contrast of 4.5 or more (WCAG AA).
LIGHT = {
    "paper": "#ffffff", "ink": "#16191c", "quiet": "#4d565d", "line": "#9aa3aa", "shade": "#eef2f4",
    "link": "#00507f", "alarm": "#9b2f00", "alarm-paper": "#fff3ec", "pass": "#00583f", "near": "#6b4a00",
}  # fmt: skip
DARK = {
    "paper": "#13171a", "ink": "#e9edf0", "quiet": "#b4bdc4", "line": "#66717a", "shade": "#20272c",
    "link": "#83cbf7", "alarm": "#ffab85", "alarm-paper": "#33201a", "pass": "#6fdcb8", "near": "#f0c760",
}  # fmt: skip
PAIRS = (  # (text, background)
    ("ink", "paper"), ("quiet", "paper"), ("link", "paper"), ("ink", "shade"), ("quiet", "shade"), ("alarm", "paper"),
    ("pass", "paper"), ("near", "paper"), ("ink", "alarm-paper"), ("alarm", "alarm-paper"),
)  # fmt: skip


def _variables(scheme: dict[str, str]) -> str:
    return "".join(f"--{name}:{value};" for name, value in scheme.items())


_SCREEN = """
*{box-sizing:border-box}
html{-webkit-text-size-adjust:100%}
body{margin:0;background:var(--paper);color:var(--ink);overflow-wrap:break-word;
 font:1rem/1.55 "DejaVu Sans",Verdana,"Segoe UI",system-ui,sans-serif}
.page{max-width:66rem;margin:0 auto;padding:1.5rem 1.25rem 4rem}
a{color:var(--link);text-underline-offset:.15em}
h1{font-size:1.9rem;line-height:1.2;margin:0 0 .3rem}
h2{font-size:1.35rem;line-height:1.25;margin:2.6rem 0 1rem;padding-top:.6rem;border-top:3px solid var(--ink)}
h3{font-size:1rem;line-height:1.4;margin:0}
p{margin:0 0 .9rem}
.quiet{color:var(--quiet);font-size:.875rem;margin:0}
nav ul{list-style:none;display:flex;flex-wrap:wrap;gap:.15rem 1.2rem;margin:1rem 0 0;padding:.7rem 0;
 border-top:1px solid var(--line);border-bottom:1px solid var(--line)}
nav a{display:inline-block;padding:.2rem 0}
.told{display:grid;grid-template-columns:9.5rem minmax(0,1fr);column-gap:1.5rem;margin:0 0 .8rem}
.told p{margin:0;max-width:44rem}
.plain{max-width:54rem}
.facts{display:grid;grid-template-columns:repeat(auto-fit,minmax(10rem,1fr));gap:0;margin:0 0 1.4rem;
 padding:1px 0 0 1px}
.facts div{padding:.6rem .8rem;border:1px solid var(--line);margin:-1px 0 0 -1px;display:flex;flex-direction:column}
.facts dt{font-size:.875rem;color:var(--quiet)}
.facts dd{margin:0;font-size:1.25rem;font-weight:700;line-height:1.3}
.facts dd.remark{font-size:.875rem;font-weight:400;color:var(--quiet);text-wrap:balance}
.notice{border:2px solid var(--alarm);border-left-width:.6rem;background:var(--alarm-paper);
 padding:.7rem .9rem;margin:0 0 1rem}
.notice p{margin:0}
.notice h3{color:var(--alarm)}
.scroll{overflow-x:auto;margin:0 0 .4rem;-webkit-overflow-scrolling:touch}
.scroll:focus-visible{outline:3px solid var(--link);outline-offset:2px}
table{border-collapse:separate;border-spacing:0;font-size:.9375rem;line-height:1.4;font-variant-numeric:tabular-nums}
caption{text-align:left;font-weight:700;padding:0 0 .45rem;font-size:1rem}
th,td{padding:.32rem .8rem .32rem 0;text-align:left;vertical-align:top;border-bottom:1px solid var(--line);
 font-weight:400}
.under{display:block;color:var(--quiet);font-size:.8125rem}
thead th,thead td{border-bottom:2px solid var(--ink);font-weight:700;vertical-align:bottom}
tr.group th{font-weight:700;background:var(--shade);padding-left:.5rem}
.r{text-align:right;white-space:nowrap}
.l,.v{white-space:nowrap}
.t{min-width:12rem}
td.t{min-width:18rem;overflow-wrap:anywhere}
table.words{min-width:100%}
.v{font-weight:700}
.fails{color:var(--alarm)}.passes{color:var(--pass)}.close,.outside,.at-its-limit{color:var(--near)}
.foot{color:var(--quiet);font-size:.875rem;margin:0 0 1.6rem;max-width:54rem}
.block{margin:0 0 1.8rem}
.paper,.zoom,.zoom+label{display:none}
figure{margin:0 0 1.8rem}
figure .plate{max-width:60rem;overflow-x:auto;background:#ffffff;border:1px solid var(--line)}
figure img{display:block;width:100%;height:auto;margin:0 auto;background:#ffffff}
figcaption{color:var(--quiet);font-size:.875rem;margin-top:.4rem;max-width:54rem}
pre{margin:0;padding:.8rem;background:var(--shade);white-space:pre;overflow-x:auto;
 font:.875rem/1.45 "DejaVu Sans Mono",Consolas,monospace}
pre:focus-visible{outline:3px solid var(--link);outline-offset:2px}
code{font:.9375em "DejaVu Sans Mono",Consolas,monospace;overflow-wrap:anywhere}
ul.items{max-width:54rem;padding-left:1.3rem;margin:0 0 1.2rem}
@media (max-width:44rem){
 .page{padding:1rem .9rem 3rem}
 h1{font-size:1.5rem}
 .told{display:block;margin-bottom:1rem}
 .facts{grid-template-columns:1fr 1fr}
 .facts dd{font-size:1.1rem}
 .zoom{display:inline-block;width:1.2rem;height:1.2rem;margin:0 .4rem .4rem 0;vertical-align:middle}
 .zoom+label{display:inline;color:var(--quiet);font-size:.875rem}
 .zoom:checked~.plate img{width:48rem}
 .scroll.wide::before{content:"Wider than this screen: swipe sideways \\2192";display:block;color:var(--quiet);
  font-size:.875rem;position:sticky;left:0}
 table{font-size:.875rem}
 th,td{padding-right:.6rem}
 thead th,thead .r,thead .l{white-space:normal}
 .t{min-width:8rem}
 td.t{min-width:11rem}
 th[scope=row]{position:sticky;left:0;background:var(--paper);max-width:8.5rem;white-space:normal}
 .stack thead{display:none}
 .stack tbody,.stack tr,.stack th{display:block}
 .stack tr{padding:.5rem 0;border-bottom:1px solid var(--line)}
 .stack th,.stack td{border:0;padding:.1rem 1rem .1rem 0;min-width:0}
 .stack tr.group{padding:0}
 .stack th[scope=row]{position:static;max-width:none;font-weight:700}
 .stack td{display:inline-block;vertical-align:top}
 .stack td.t{display:block}
}
"""
_PRINT = """
@page{size:A4;margin:14mm 13mm 16mm;@bottom-left{content:"RUN";font:8pt "DejaVu Sans",Verdana,sans-serif;color:#4d565d}
 @bottom-right{content:counter(page) " / " counter(pages);font:8pt "DejaVu Sans",Verdana,sans-serif;color:#4d565d}}
@page sheet{size:A4 landscape;margin:0;@bottom-left{content:none}@bottom-right{content:none}}
@media print{
 body{font-size:9.5pt;line-height:1.4}
 .page{max-width:none;padding:0}
 nav,.screen,.zoom,.zoom+label{display:none}
 .paper{display:block}
 a{color:inherit;text-decoration:none}
 h1{font-size:18pt}
 h2{font-size:13pt;margin:4mm 0 2mm;break-after:avoid-page}
 h2+*{break-before:avoid-page}
 h3,caption{font-size:9.5pt;break-after:avoid}
 .told{display:flex;gap:4mm;margin-bottom:2mm;break-inside:avoid}
 .told h3{flex:0 0 29mm;break-after:auto}
 .told p{flex:1}
 .told p,.plain,.foot,ul.items,figcaption{max-width:none}
 .facts{grid-template-columns:repeat(3,1fr);margin-bottom:4mm;break-inside:avoid}
 .facts dd{font-size:13pt}
 .facts dt,.facts dd.remark,.quiet,.foot,figcaption{font-size:9pt}
 .notice,figure,.short{break-inside:avoid}
 .scroll,figure .plate,pre{overflow:visible;max-width:none}
 .scroll.wide::before{display:none}
 table{font-size:9pt;width:auto}
 thead{display:table-header-group}
 tr{break-inside:avoid}
 tr.group{break-after:avoid}
 th,td{padding:.45mm 2.5mm .45mm 0}
 .t,td.t{min-width:0}
 table.words .l{white-space:normal}
 table.words{width:100%;min-width:0}
 .under{font-size:8pt}
 .block{margin-bottom:3.5mm}
 figure{margin-bottom:3mm}
 figure .plate{border:0}
 figure img{width:150mm;margin:0}
 #drawing h2{display:none}
 figure.sheet{page:sheet;margin:0;break-before:page;break-after:page}
 figure.sheet img{width:297mm;height:209.9mm}
 figure.sheet figcaption{display:none}
 pre{background:none;padding:0;font-size:8.5pt;white-space:pre-wrap;columns:2;column-gap:8mm}
}
"""


def style_sheet(run: str) -> str:
    """The style sheet; run: what stands at the foot of every printed page, plain characters only."""
    plain = "".join(c for c in run if c.isalnum() or c in " .,:-")
    parts = (
        f":root{{color-scheme:light dark;{_variables(LIGHT)}}}",
        f"@media screen and (prefers-color-scheme:dark){{:root{{{_variables(DARK)}}}}}",
        _SCREEN.strip(),
        _PRINT.strip().replace("RUN", plain),
    )
    return "\n".join(parts)

"""The pages: templates filled in with everything escaped, pictures as data URIs, charts as geometry."""

import base64
import contextlib
import hashlib
import math
from pathlib import Path
from urllib.parse import quote

import cv2
import jinja2
import numpy as np
import yaml

TEMPLATES = Path(__file__).parents[1] / "report"
# Large pictures hide more than small ones, and noisy ones would make the page heavy.
QUALITY, QUALITY_OF_LARGE, LARGE = 82, 75, 800
# A chart's plot is drawn in a square of this side and stretched by the page.
SIDE = 1000


def render(template, **values):
    """A page's text from a template in workflow/report.

    Whatever is put in is escaped; a value that is missing is an error.
    """
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(TEMPLATES),
        bytecode_cache=Compiled(TEMPLATES / "__pycache__"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    environment.filters["url"] = url
    environment.filters["signed"] = signed
    environment.filters["measured"] = measured
    environment.globals["script"] = script
    return environment.get_template(template).render(**values)


class Compiled(jinja2.FileSystemBytecodeCache):
    """Compiled templates, kept beside them as Python keeps modules: where they may be."""

    def dump_bytecode(self, bucket):
        with contextlib.suppress(OSError):
            Path(self.directory).mkdir(exist_ok=True)
            super().dump_bytecode(bucket)


def script(name):
    """A script of workflow/report, and the hash by which the page's policy allows it and no other."""
    text = (TEMPLATES / name).read_text(encoding="utf-8")
    digest = base64.b64encode(hashlib.sha256(text.encode()).digest()).decode("ascii")
    return {"text": text, "allowed": f"'sha256-{digest}'"}


def url(path):
    """A relative file path as a URL: percent-encoded, so that no sign in a name says anything else."""
    return "./" + "/".join(quote(part, safe="") for part in path.split("/"))


def line(table):
    """A table of settings as one line of a shoot.yaml, its words quoted where YAML would read more into them."""
    text = yaml.safe_dump(table, default_flow_style=True, allow_unicode=True, sort_keys=False, width=1e9)
    return text.strip()[1:-1]


def measured(value, unit=""):
    """A value of a finding: a number to three digits with its unit, a text as it is, and a dash for none."""
    if value is None or isinstance(value, str):
        return value or "–"
    text = f"{value:.3g}" if isinstance(value, float) else str(value)
    return f"{text} {unit}".rstrip()


def signed(value, digits):
    """A number with its sign, the typographic minus, and no sign for what rounds to nought."""
    text = f"{abs(value):.{digits}f}"
    if float(text) == 0:
        return text
    return f"{'+' if value > 0 else '−'}{text}"


def picture(rgb, width=None):
    """A picture for a page: {"src": JPEG as data URI, "width", "height"}.

    rgb: uint8 (h, w, 3), the display's signal; width: pixels to scale it to, or None.
    """
    if width and width != rgb.shape[1]:
        size = (width, round(width * rgb.shape[0] / rgb.shape[1]))
        shrinks = width < rgb.shape[1]
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA if shrinks else cv2.INTER_CUBIC)
    quality = QUALITY_OF_LARGE if rgb.shape[1] > LARGE else QUALITY
    encoded = cv2.imencode(".jpg", rgb[..., ::-1], [cv2.IMWRITE_JPEG_QUALITY, quality])[1]
    text = base64.b64encode(encoded.tobytes()).decode("ascii")
    return {"src": f"data:image/jpeg;base64,{text}", "width": rgb.shape[1], "height": rgb.shape[0]}


def chart(title, unit, series, span=0.0, band=None, most=None, limit=None, marks=(), shaded=(), over="frames"):
    """A line chart's geometry.

    title, unit: text; series: [(name, (n,) values, NaN where there is none)]; span: the least height of the
    plot; band: a limit to either side of nought, drawn as a strip, or None; most: an upper limit, drawn as a line, or
    None; limit: what is said of a limit that is not drawn; marks: places before which an upright line is drawn;
    shaded: places drawn as a strip; over: what is counted from left to right.
    Returns a dict for the template: lines as polylines in a square of 1000, ticks as (per cent, text).
    """
    count = len(series[0][1])
    known = np.concatenate([np.asarray(values)[np.isfinite(values)] for _, values in series])
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    grow = max(span - (high - low), 0.1 * (high - low), 1e-9) / 2
    low, high = low - grow, high + grow
    if band:
        low, high = min(low, -1.1 * band), max(high, 1.1 * band)
        limit = f"limit ±{band:g} {unit}"
    if most:
        high = max(high, most + 0.1 * (most - low))
        limit = f"limit {most:.3g} {unit}"
    step = _step((high - low) / 6)
    decimals = max(0, -math.floor(math.log10(step) + 1e-9))

    def x(k):
        return (k + 0.5) / count * SIDE

    def y(value):
        return (high - value) / (high - low) * SIDE

    every = max(1, int(_step(count / 6)))
    columns = sorted({1, *range(every, count + 1, every)})
    return {
        "title": title,
        "unit": unit,
        "count": count,
        "over": over,
        "limit": limit,
        "lines": [{"name": name, "parts": _polylines(values, x, y)} for name, values in series],
        "summary": "; ".join(f"{name} {_extent(values, decimals + 1)} {unit}" for name, values in series),
        "rows": [
            (y(v) / SIDE * 100, signed(v, decimals) if low < 0 else f"{v:.{decimals}f}")
            for v in step * np.arange(math.ceil(low / step), math.floor(high / step) + 1)
        ],
        "columns": [(x(k - 1) / SIDE * 100, str(k)) for k in columns],
        "band": (y(band), y(-band) - y(band)) if band else None,
        "most": y(most) if most else None,
        "marks": [x(k - 0.5) for k in marks],
        "shaded": [(x(k - 0.5), SIDE / count) for k in shaded],
    }


def _extent(values, decimals):
    known = np.asarray(values)[np.isfinite(values)]
    if not len(known):
        return "unknown in"
    return f"from {signed(known.min(), decimals)} to {signed(known.max(), decimals)}"


def _step(rough):
    """The round number (1, 2 or 5 times a power of ten) that is next above a rough one."""
    power = 10.0 ** math.floor(math.log10(rough))
    return next(n * power for n in (1, 2, 5, 10) if n * power >= rough * (1 - 1e-9))


def _polylines(values, x, y):
    """Texts of points, a new one after each gap; a value that stands alone becomes a short dash."""
    parts, current = [], []
    for k, value in enumerate([*values, math.nan]):
        if math.isfinite(value):
            current.append((x(k), y(value)))
        elif current:
            if len(current) == 1:
                (left, level), half = current[0], (x(1) - x(0)) / 3
                current = [(left - half, level), (left + half, level)]
            parts.append(" ".join(f"{a:.1f},{b:.1f}" for a, b in current))
            current = []
    return parts

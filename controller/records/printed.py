"""A run on paper: PDF, A4. reportlab is imported only when a run is printed."""

from __future__ import annotations

import io
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Final
from xml.sax.saxutils import escape

if TYPE_CHECKING:
    from reportlab.graphics.shapes import Drawing
    from reportlab.platypus import Flowable

    from .readers import Book

_NOT_INSTALLED: Final = (
    'Printing needs one more package: the README says how it is added, under "Everyday commands".'
)
POINTS: Final = 600  # more than a printer's line of 170 mm shows
EVENTS: Final = 300
_WIDTH_PT: Final = 480
_HEIGHT_PT: Final = 200
_LINES: Final = (
    ("setpoint_c", "asked", "grey", 3.0, None),
    ("oven_c", "air", "firebrick", 0.7, (4, 2)),
    ("part_c", "steel", "black", 1.6, None),
)
"""Column, what the reader calls it, colour, width in points, dashes: told apart without colour as well."""


def run_pdf(book: Book, run_id: int) -> bytes | None:
    """A run to print and to sign; None when it is not in the book.

    Temperatures in °C, times in UTC. Characters outside of Latin-1 (ISO 8859-1) are printed as "?".
    Raises RecordsError, and ImportError with a sentence for the smith where reportlab is not installed.
    """
    try:
        from reportlab.lib.pagesizes import A4
        from reportlab.platypus import SimpleDocTemplate
    except ImportError as error:
        raise ImportError(_NOT_INSTALLED) from error

    run = book.run(run_id)
    if run is None:
        return None
    trace = book.trace(run_id, points=POINTS)
    content = io.BytesIO()
    document = SimpleDocTemplate(
        content, pagesize=A4, title=_latin(f"Run {run_id}: {run['program_name']}"), author="Ovenhand",
        leftMargin=50, rightMargin=50, topMargin=45, bottomMargin=45,
    )  # fmt: skip

    def foot(canvas: Any, _: Any) -> None:
        canvas.setFont("Helvetica", 8)
        canvas.drawString(50, 28, f"Run {run_id}, page {canvas.getPageNumber()}. A record, not a certificate.")

    document.build(list(_story(run, trace)), onFirstPage=foot, onLaterPages=foot)
    return content.getvalue()


def _story(run: Mapping[str, Any], trace: Sequence[Mapping[str, Any]]) -> Iterator[Flowable]:
    from reportlab.lib.styles import getSampleStyleSheet
    from reportlab.platypus import Paragraph, Spacer

    styles = getSampleStyleSheet()

    def text(words: str, style: str = "BodyText") -> Paragraph:
        return Paragraph(escape(_latin(words)), styles[style])

    yield text(f"Run {run['id']}: {run['program_name']}", "Title")
    yield text(f"Started {_clock(run['started_at'])} by {run['who'] or 'nobody named'}.")
    if run["ended_at"] is None:
        yield text("It is still open.")
    else:
        yield text(f"{str(run['outcome']).capitalize()} {_clock(run['ended_at'])}. {run['ending'] or ''}")
    yield from (text(f"Load: {_piece(piece)}.") for piece in run["load"] or ())
    yield from (
        text(f"Interrupted {_clock(gap['cut_at'])} to {_clock(gap['resumed_at'])}: {gap['ending']}")
        for gap in run["interruptions"]
    )
    if run["tempers"]:
        yield Spacer(1, 8)
        yield _table(_tempers(run["tempers"]), (60, 60, 80, 80, 80, 120))
    yield Spacer(1, 8)
    yield _chart(trace) if trace else text("No samples of it are in the book.")
    yield text(_steel(trace))
    yield text("Hardness found, and how: ______________________________    Signed: ____________________")
    yield text("What happened (UTC)", "Heading2")
    told = [event for event in run["events"] if event["text"]]
    # A table of its own for each, so that they break over pages at any of them.
    yield from (_table([[_clock(event["at"])[:-4], text(event["text"])]], (110, 370)) for event in told[:EVENTS])
    if len(told) > EVENTS:
        yield text(f"And {len(told) - EVENTS} more, which `ovenhand records show {run['id']}` lists.")


def _tempers(tempers: Iterable[Mapping[str, Any]]) -> list[list[str]]:
    lines = [["temper", "asked °C", "soak, min", "in band, min", "steel at most °C", "it tempers like"]]
    for number, done in enumerate(tempers, 1):
        like = "-"
        if done.get("equivalent_c") is not None:
            like = f"{done['soak_s'] / 60:.0f} min at {done['equivalent_c']:.0f} °C"
        peak = done.get("part_peak_c")
        lines.append([
            str(number), f"{done['temperature_c']:g}", f"{done['soak_s'] / 60:.0f}", f"{done['in_band_s'] / 60:.0f}",
            "-" if peak is None else f"{peak:.0f}", like,
        ])  # fmt: skip
    return lines


def _table(lines: list[list[Any]], widths_pt: Sequence[float]) -> Flowable:
    from reportlab.platypus import Table, TableStyle

    table = Table(lines, colWidths=list(widths_pt), hAlign="LEFT")
    style: list[Any] = [("VALIGN", (0, 0), (-1, -1), "TOP"), ("FONTSIZE", (0, 0), (-1, -1), 9)]
    if len(lines) > 1:
        style += [("LINEBELOW", (0, 0), (-1, 0), 0.5, "black"), ("FONTNAME", (0, 0), (-1, 0), "Helvetica-Bold")]
    else:
        style += [("TOPPADDING", (0, 0), (-1, -1), 0), ("BOTTOMPADDING", (0, 0), (-1, -1), 0)]
    table.setStyle(TableStyle(style))
    return table


def _chart(trace: Sequence[Mapping[str, Any]]) -> Drawing:
    from reportlab.graphics.charts.lineplots import LinePlot
    from reportlab.graphics.shapes import Drawing, String
    from reportlab.lib import colors

    pieces = [(which, piece) for which, line in enumerate(_LINES) for piece in _unbroken(trace, line[0])]
    plot = LinePlot()
    plot.x = plot.y = 30
    plot.width, plot.height = _WIDTH_PT - 40, _HEIGHT_PT - 50
    plot.data = [piece for _, piece in pieces] or [[(0.0, 0.0)]]
    plot.joinedLines = 1
    for number, (which, _) in enumerate(pieces):
        _, _, colour, width_pt, dashes = _LINES[which]
        plot.lines[number].strokeColor = getattr(colors, colour)
        plot.lines[number].strokeWidth = width_pt
        plot.lines[number].strokeDashArray = dashes
    plot.yValueAxis.valueMin = 0
    plot.yValueAxis.visibleGrid = 1
    plot.yValueAxis.gridStrokeColor = colors.lightgrey
    plot.xValueAxis.valueMin = 0
    drawing = Drawing(_WIDTH_PT, _HEIGHT_PT)
    drawing.add(plot)
    key = "°C over minutes. Steel: thick. Air: thin, dashed. Asked: broad, grey."
    drawing.add(String(30, _HEIGHT_PT - 10, key, fontName="Helvetica", fontSize=9))
    return drawing


def _unbroken(trace: Iterable[Mapping[str, Any]], column: str) -> Iterator[list[tuple[float, float]]]:
    """Stretches of (minutes, °C) in which the column is known."""
    stretch: list[tuple[float, float]] = []
    for sample in trace:
        if sample[column] is not None:
            stretch.append((sample["t_s"] / 60.0, sample[column]))
        elif stretch:
            yield stretch
            stretch = []
    if stretch:
        yield stretch


def _steel(trace: Sequence[Mapping[str, Any]]) -> str:
    known = [sample for sample in trace if sample["part_c"] is not None]
    if not known:
        return "The steel's temperature is not known."
    if all(sample["part_measured"] for sample in known):
        return "The steel was measured by a sensor of its own."
    some = "in part " if any(sample["part_measured"] for sample in known) else ""
    errors = [sample["part_error_c"] for sample in known if sample["part_error_c"] is not None]
    how = f", to within {max(errors):.0f} °C at the worst" if errors else ""
    return f"The steel was {some}estimated, not measured{how}."


def _piece(piece: Mapping[str, Any]) -> str:
    named = "".join(f", {kind} {piece[kind]}" for kind in ("stock", "piece") if piece.get(kind) is not None)
    return f"{piece['mass_kg']:.2f} kg, {piece['section_mm']:g} mm thick{named}"


def _clock(text: str | None) -> str:
    """RFC 3339 to the second, as a person reads it."""
    return "-" if text is None else f"{text[:19].replace('T', ' ')} UTC"


def _latin(text: str) -> str:
    """What the fonts that every PDF reader has can show."""
    return text.encode("latin-1", "replace").decode("latin-1")

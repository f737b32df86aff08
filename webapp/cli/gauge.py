"""`lehrbook studycard --out FILE.pdf` and `lehrbook gauge PHOTO...`: a plant proves its own set-up."""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any


def add_parser(subparsers: Any) -> None:
    """Add both commands."""
    card = subparsers.add_parser(
        "studycard",
        help="write the gauge card to print",
        description="Writes a PDF of two pages with dots and lines of known sizes: dark marks for bright "
        "field, white ones for dark field. Print at 100 %% and check the ruler on it.",
    )
    card.add_argument("--out", metavar="FILE.pdf", type=Path, default=Path("gauge-card.pdf"))
    gauge = subparsers.add_parser(
        "gauge",
        help="read photos of the gauge card: bias and repeatability for each size",
        description="Measures the marks of the printed gauge card in one or more photos of it, taken as the "
        "glass is, and compares with what is printed. The card shows what camera and program do with printed "
        "marks; bubbles and stones in glass can look fainter.",
    )
    gauge.add_argument("photos", metavar="PHOTO", type=Path, nargs="+", help="photos of one page of the card")
    gauge.add_argument(
        "--out", metavar="DIR", type=Path, help="write gauge.json, gauge.txt and gauge.png to DIR"
    )
    gauge.add_argument("--json", action="store_true", help="print the result as JSON")


def run(args: argparse.Namespace) -> int:
    """Run one of the two. Raises VisionError for bad input."""
    return _card(args) if args.command == "studycard" else _gauge(args)


def _card(args: argparse.Namespace) -> int:
    from vision.gauge.card import card_pdf

    args.out.write_bytes(card_pdf())
    sys.stdout.write(f"{args.out}: print at 100 % and check with a steel rule that 200 mm are 200 mm\n")
    return 0


def _gauge(args: argparse.Namespace) -> int:
    import cv2

    from vision.gauge.reading import read_card, reading_plot, reading_table

    reading = read_card([(photo.name, photo.read_bytes()) for photo in args.photos])
    table = "\n".join(reading_table(reading)) + "\n"
    data = json.dumps(reading.to_dict(), indent=1, ensure_ascii=False) + "\n"
    if args.out is not None:
        args.out.mkdir(parents=True, exist_ok=True)
        (args.out / "gauge.json").write_text(data, encoding="utf-8")
        (args.out / "gauge.txt").write_text(table, encoding="utf-8")
        (args.out / "gauge.png").write_bytes(cv2.imencode(".png", reading_plot(reading))[1].tobytes())
    sys.stdout.write(data if args.json else table)
    return 0

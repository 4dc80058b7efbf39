"""Labels: what they say, where they lie, and that general readers of PDF and SVG find it there."""

import re
import shutil
import subprocess
import zlib
from datetime import date
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from daemon.boards.demo_images import tern16_bin
from daemon.errors import BenchError, Code
from daemon.jobs.request import JobRequest
from daemon.labels.drawing import BOLD, DAYLIGHT, FONT, shortened, width_of
from daemon.labels.model import LabelSheet, LabelText, Stock
from daemon.labels.pdf import pdf_of
from daemon.labels.request import LabelRequest
from daemon.labels.svg import svg_of
from daemon.settings import Settings
from daemon.store.model import JobKind
from tests.api.simulated import PORT, ended, simulated_bench
from tests.support.batch_bench import FILE, person_at_bench

needs_poppler = pytest.mark.skipif(
    not shutil.which("pdftotext") or not shutil.which("pdftoppm"), reason="needs poppler-utils"
)
SVG = "{http://www.w3.org/2000/svg}"
#: Millimetres in an inch, points in an inch (ISO 32000-1, 8.3.2.3: the default unit of user space).
INCH_MM, INCH_PT = 25.4, 72


def some(count: int) -> tuple[LabelText, ...]:
    return tuple(
        LabelText(title="Tern-16  1.2", position=f"U{number}", lane="odd bytes", part="M27C512 100 ns",
                  crc32=number, byte_sum_16=number, date="2026-11-25", set=f"set {number} of {count}")
        for number in range(1, count + 1)
    )  # fmt: skip


# Stock


sizes = st.floats(0, 60, allow_nan=False)


@given(st.data())
def test_labels_never_overlap_and_never_leave_the_sheet(data: st.DataObject) -> None:
    try:
        stock = Stock(
            label_width_mm=data.draw(st.floats(8, 120)),
            label_height_mm=data.draw(st.floats(5, 120)),
            sheet_width_mm=data.draw(st.floats(20, 400)),
            sheet_height_mm=data.draw(st.floats(20, 400)),
            left_mm=data.draw(sizes),
            top_mm=data.draw(sizes),
            gap_x_mm=data.draw(sizes),
            gap_y_mm=data.draw(sizes),
            columns=data.draw(st.none() | st.integers(1, 9)),
            rows=data.draw(st.none() | st.integers(1, 9)),
        )
    except ValidationError:
        return
    places = [stock.place_mm(index) for index in range(stock.across * stock.down)]
    for x_mm, y_mm in places:
        assert 0 <= x_mm <= stock.sheet_width_mm - stock.label_width_mm + 0.02
        assert 0 <= y_mm <= stock.sheet_height_mm - stock.label_height_mm + 0.02
    lefts, tops = sorted({x for x, _ in places}), sorted({y for _, y in places})
    assert all(b - a >= stock.label_width_mm - 1e-6 for a, b in pairwise(lefts))
    assert all(b - a >= stock.label_height_mm - 1e-6 for a, b in pairwise(tops))
    assert len(lefts) * len(tops) == len(places) == len(set(places))


def test_a_stock_that_does_not_fit_says_by_how_much() -> None:
    with pytest.raises(ValidationError, match="5 columns need 214 mm, the sheet has 210 mm"):
        Stock(label_width_mm=40, left_mm=6, columns=5)
    with pytest.raises(ValidationError, match="1 rows need 160 mm, the sheet has 100 mm"):
        Stock(label_height_mm=150, sheet_height_mm=100)


def test_a_sheet_that_was_begun_is_used_up() -> None:
    # 190 mm hold six of 30 with 2 between (6 x 30 + 5 x 2 = 190), 277 mm 18 of 13 (18 x 13 + 17 x 2 = 268).
    sheet = LabelSheet(some(110), Stock(), start_at=5)
    assert (sheet.stock.across, sheet.stock.down, sheet.pages) == (6, 18, 2)
    first, second = sheet.page(1), sheet.page(2)
    assert first[0][:2] == (10 + 4 * 32, 10)
    assert [label.position for *_, label in first + second] == [f"U{number}" for number in range(1, 111)]
    assert len(second) == 110 + 4 - 108


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=60), st.floats(1, 60))
def test_what_is_too_wide_is_cut_off_and_says_so(words: str, room_mm: float) -> None:
    for font in (FONT, BOLD):
        cut = shortened(words, font, 2.0, room_mm)
        assert cut == words or cut.endswith("...")
        assert width_of(cut, font, 2.0) <= room_mm or cut == "..."


# Documents


@needs_poppler
def test_a_pdf_reader_finds_every_word_in_its_order(tmp_path: Path) -> None:
    path = tmp_path / "labels.pdf"
    path.write_bytes(pdf_of(LabelSheet(some(120), Stock())))
    said = subprocess.run(["pdftotext", "-raw", path, "-"], capture_output=True, text=True, check=True).stdout
    assert re.findall(r"U(\d+)\s+odd bytes", said) == [str(number) for number in range(1, 121)]
    assert said.count("M27C512 100 ns") == said.count("Tern-16") == 120
    assert re.findall(r"CRC (\w{8})\s+sum (\w{4})", said)[99] == ("00000064", "0064")
    assert said.replace("\n", " ").count(DAYLIGHT) == 2
    info = subprocess.run(["pdfinfo", path], capture_output=True, text=True, check=True).stdout
    assert re.search(r"Pages:\s+2\n", info)
    assert "A4" in info


@needs_poppler
def test_ink_stays_within_its_label(tmp_path: Path) -> None:
    dpi = 150
    stock = Stock(
        label_width_mm=24, label_height_mm=10, columns=4, rows=6, gap_x_mm=8, gap_y_mm=8, outline=False
    )
    (tmp_path / "labels.pdf").write_bytes(pdf_of(LabelSheet(some(20), stock)))
    command = ["pdftoppm", "-r", str(dpi), "-gray", tmp_path / "labels.pdf", tmp_path / "page"]
    subprocess.run(command, check=True)
    raw = (tmp_path / "page-1.pgm").read_bytes()
    width, height = (int(number) for number in raw.split(maxsplit=4)[1:3])
    ink = np.frombuffer(raw[-width * height :], dtype=np.uint8).reshape(height, width) < 128
    allowed = np.zeros_like(ink)
    per_mm = dpi / INCH_MM
    for index in range(24):
        x, y = (round(value * per_mm) for value in stock.place_mm(index))
        box = np.s_[y : y + round(10 * per_mm) + 2, x - 1 : x + round(24 * per_mm) + 2]
        allowed[box] = True
        # Text covers some of a label's area, and nothing of an empty place.
        assert (0.03 < ink[box].mean() < 0.5) if index < 20 else not ink[box].any()
    foot = ink[-round(20 * per_mm) - round((297 - stock.place_mm(20)[1]) * per_mm) :]
    assert foot.any()
    rows = round((stock.place_mm(20)[1] + 10) * per_mm)
    assert not (ink & ~allowed)[:rows].any()


def test_svg_is_in_millimetres_and_says_the_same(tmp_path: Path) -> None:
    root = ET.fromstring(svg_of(LabelSheet(some(3), Stock())))
    assert (root.get("width"), root.get("height"), root.get("viewBox")) == ("210mm", "297mm", "0 0 210 297")
    words = [each.text for each in root.iter(f"{SVG}text")]
    assert words[:6] == [
        "1", "U1  odd bytes", "Tern-16  1.2", "M27C512 100 ns", "CRC 00000001  sum 0001",
        "2026-11-25  set 1 of 3",
    ]  # fmt: skip
    assert [(each.get("x"), each.get("width")) for each in root.iter(f"{SVG}rect")] == [
        ("10", "30"),
        ("42", "30"),
        ("74", "30"),
    ]
    with pytest.raises(LookupError, match="1 sheets, not 2"):
        svg_of(LabelSheet(some(3), Stock()), 2)


def test_letters_that_pdf_lacks_are_refused_and_svg_has_them() -> None:
    sheet = LabelSheet((LabelText(title="Крачка-8"),), Stock())
    with pytest.raises(BenchError, match=r"label 1 has .К. \(U\+041A\)") as caught:
        pdf_of(sheet)
    assert caught.value.code is Code.LABEL_INVALID
    assert "Крачка-8" in svg_of(sheet)
    assert pdf_of(LabelSheet((LabelText(title="Büro <1> & 2"),), Stock())).startswith(b"%PDF")


def test_the_same_labels_give_the_same_bytes() -> None:
    assert pdf_of(LabelSheet(some(5), Stock())) == pdf_of(LabelSheet(some(5), Stock()))


# What they are made from


def test_exactly_one_origin_is_asked_for() -> None:
    for wrong in (
        {},
        {"board": "tern-8", "batch": "x"},
        {"labels": [{}]},
        {"board": "tern-8", "start_at": 109},
    ):
        with pytest.raises(ValidationError):
            LabelRequest.model_validate(wrong)


def test_a_plan_a_batch_and_a_job_give_labels(tmp_path: Path) -> None:
    with person_at_bench(tmp_path) as person:
        bench = person.one.bench
        asked = LabelRequest.model_validate(
            {
                "board": "tern-16",
                "plan": {"copies": 2, "on_hand": [{"part": "M27C512", "access_ns": 100, "count": 3}]},
                "version": "1.2",
                "date": date(2026, 11, 25),
            }
        )
        labels = bench.labels.sheet(asked).labels
        even = tern16_bin()[::2]
        assert labels[0].lines() == (
            "U10  even bytes",
            "Tern-16  1.2",
            "M27C512 100 ns",
            f"CRC {zlib.crc32(even):08X}  sum {sum(even) & 0xFFFF:04X}",
            "2026-11-25  set 1 of 2",
        )
        assert [(label.position, label.set) for label in labels] == [
            ("U10", "set 1 of 2"), ("U10", "set 2 of 2"), ("U11", "set 1 of 2"), ("U11", "set 2 of 2"),
        ]  # fmt: skip
        by_set = bench.labels.sheet(asked.model_copy(update={"order": "by-set"})).labels
        assert [label.position for label in by_set] == ["U10", "U11", "U10", "U11"]
        assert labels[3].part == "M27C512 max. 110 ns"  # bought: what the board needs

        person.start(sets=2)
        person.hears("put-in")
        person.make_one()
        request = LabelRequest(batch=person.batch_id)
        labels = bench.labels.sheet(request).labels
        assert [(label.position, label.set) for label in labels] == [
            ("U1", "set 1 of 2"), ("U1", "set 2 of 2"), ("U2", "set 1 of 2"), ("U2", "set 2 of 2"),
        ]  # fmt: skip
        assert labels[2].crc32 == zlib.crc32(FILE[0x2000:])
        assert labels[2].byte_sum_16 == sum(FILE[0x2000:]) & 0xFFFF
        made = bench.labels.sheet(request.model_copy(update={"only_made": True})).labels
        assert made == labels[:1]

        jobs = bench.jobs(limit=10)
        done = next(job for job in jobs if job.outcome and job.outcome["code"] == "ok")
        (label,) = bench.labels.sheet(LabelRequest(jobs=(done.id,), title="Tern-4")).labels
        assert label.title == "Tern-4"
        assert label.crc32 == zlib.crc32(FILE[:0x2000])


def test_a_job_that_says_nothing_of_content_gives_no_label(tmp_path: Path) -> None:
    settings = Settings(
        state_dir=tmp_path,
        runtime_dir=tmp_path / "run",
        ports=(PORT,),
        discover_serial=False,
        discover_usb=False,
    )
    with simulated_bench(settings) as bench:
        job = bench.submit(JobRequest(kind=JobKind.PIN_CHECK, part="st-m27c64a"))
        ended(bench, job.id)
        with pytest.raises(BenchError, match="pin-check") as caught:
            bench.labels.sheet(LabelRequest(jobs=(job.id,)))
        assert caught.value.code is Code.LABEL_INVALID
        with pytest.raises(BenchError) as unknown:
            bench.labels.sheet(LabelRequest(batch="never"))
        assert unknown.value.code is Code.NOT_FOUND

"""Makers of small valid files: each takes a generator and a size to aim at, and returns the bytes.

Equal generators give equal bytes (with the same releases of Pillow, zlib and SQLite). Only `prose` meets the
size exactly; the others come as near as their format lets them.
"""

import io
import json
import sqlite3
import struct
import wave
import zipfile
import zlib
from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np
from PIL import Image, ImageDraw

BIRDS = (
    "lapwing", "curlew", "redshank", "avocet", "dunlin", "teal", "wigeon", "shelduck", "marsh harrier", "water rail",
    "bearded tit", "spoonbill", "little egret", "golden plover", "snipe", "bittern",
)  # fmt: skip
_PLACES = ("north lagoon", "old sluice", "reed bed", "sea wall", "causeway", "brackish pool", "pump house", "spit")
_MANNERS = ("feeding", "roosting", "calling", "in flight to the east", "with young", "alarmed by a fox", "ringed")
_REMARKS = (
    "Wind backing south-west, visibility good.",
    "The hide door sticks again; bring oil.",
    "Water level two hands below the mark.",
    "Counted twice, the second figure is entered.",
    "Zählung wegen Nebel um eine Stunde verschoben.",
    "Le gardien a signalé un héron mort près de l'écluse.",
    "Batteries of the recorder changed.",
)


def prose(rng: np.random.Generator, size: int) -> bytes:
    """A field diary in UTF-8, exactly `size` bytes."""
    text = bytearray()
    day = datetime(2015, 1, 1) + timedelta(days=int(rng.integers(0, 3000)))  # noqa: DTZ001 - a diary has local dates
    while len(text) < size:
        # Numbers are drawn by the thousand: a call of the generator for each word would cost most of the time.
        for hours, *picks in rng.integers(0, 5040, (100, 12)).tolist():
            day += timedelta(hours=3 + hours % 60)
            text += _diary_line(day, picks).encode()
    return bytes(text[:size]).decode("utf-8", "ignore").encode().ljust(size, b" ")


def _diary_line(day: datetime, picks: Sequence[int]) -> str:
    seen = ", ".join(
        f"{1 + count % 400} {BIRDS[bird % len(BIRDS)]} ({_MANNERS[manner % len(_MANNERS)]})"
        for count, bird, manner in zip(picks[0:3], picks[3:6], picks[6:9], strict=True)
    )
    place, remark = _PLACES[picks[9] % len(_PLACES)], _REMARKS[picks[10] % len(_REMARKS)]
    return f"{day:%d %B %Y, %H:%M} {place}: {seen}. {remark}\r\n"


def table(rng: np.random.Generator, size: int) -> bytes:
    """Counts as comma-separated values with a header."""
    rows = ["station;date;hour;species;count;observer\r\n"]
    count = max(1, size // 45)
    days = np.sort(rng.integers(0, 3000, count))
    numbers = rng.poisson(40, count)
    birds = rng.integers(0, len(BIRDS), count)
    for row in range(count):
        date = datetime(2015, 1, 1) + timedelta(days=int(days[row]))  # noqa: DTZ001 - local dates
        rows.append(f"LS{row % 17:02d};{date:%Y-%m-%d};{row % 24};{BIRDS[birds[row]]};{numbers[row]};obs{row % 5}\r\n")
    return "".join(rows).encode()


def settings(rng: np.random.Generator, size: int) -> bytes:
    """The settings of sound recorders, as JSON."""
    stations = [
        {"station": f"LS{i:02d}", "gain_db": int(rng.integers(0, 40)), "threshold": round(float(rng.random()), 4)}
        for i in range(max(1, size // 75))
    ]
    return json.dumps({"version": 3, "stations": stations}, indent=1).encode()


def recording(rng: np.random.Generator, size: int) -> bytes:
    """A sound recording: chirps over noise, 16 bit, one channel, 16 kHz."""
    frames = max(100, (size - 44) // 2)
    time = np.arange(frames) / 16_000
    sound = rng.normal(0, 300, frames)
    for _ in range(3):
        pitch, rise, rate = rng.uniform(1500, 5000), rng.uniform(200, 900), rng.uniform(1, 4)
        sound += 4000 * np.sin(2 * np.pi * (pitch * time - rise / rate * np.cos(2 * np.pi * rate * time)))
    stream = io.BytesIO()
    with wave.open(stream, "wb") as out:
        out.setnchannels(1)
        out.setsampwidth(2)
        out.setframerate(16_000)
        out.writeframes(np.clip(sound, -32768, 32767).astype("<i2").tobytes())
    return stream.getvalue()


def _landscape(rng: np.random.Generator, width: int, height: int) -> Image.Image:
    """Hills and haze from a few random numbers, made large, under grain as a sensor has it."""
    coarse = rng.integers(-40, 41, (6, 8, 3)) + np.linspace(190, 70, 6)[:, None, None]
    hills = Image.fromarray(np.clip(coarse, 12, 243).astype(np.uint8))
    smooth = np.asarray(hills.resize((width, height), Image.Resampling.BICUBIC))
    grain = rng.integers(0, 25, smooth.shape, dtype=np.uint8)
    return Image.fromarray(np.clip(smooth, 12, 243) - 12 + grain)


def photograph(rng: np.random.Generator, size: int) -> bytes:
    """A JPEG picture of a made-up landscape."""
    width = max(64, int((size * 4.4) ** 0.5) // 8 * 8)  # about 0.3 bytes a pixel at this noise and quality
    stream = io.BytesIO()
    _landscape(rng, width, max(48, width * 3 // 4)).save(stream, "JPEG", quality=82)
    return stream.getvalue()


def site_map(rng: np.random.Generator, size: int) -> bytes:
    """A PNG map: pools, paths and stations on a plain ground."""
    width = max(120, int((size * 16) ** 0.5))
    picture = Image.new("RGB", (width, width * 2 // 3), (226, 232, 214))
    draw = ImageDraw.Draw(picture)
    for _ in range(max(6, size // 700)):
        x, y = (int(v) for v in rng.integers(0, width, 2))
        a, b = (int(v) for v in rng.integers(4, 60, 2))
        shade = tuple(int(v) for v in rng.integers(80, 240, 3))
        draw.ellipse((x, y, x + a, y + b), fill=shade, outline=(40, 70, 90))
        draw.line((x, y, *(int(v) for v in rng.integers(0, width, 2))), fill=(150, 120, 80), width=2)
    stream = io.BytesIO()
    picture.save(stream, "PNG")
    return stream.getvalue()


def report(rng: np.random.Generator, size: int) -> bytes:
    """A PDF 1.4 with one page of text for every 3 KB, each with a picture when the file is large."""
    pages = max(1, size // 60_000)
    objects: list[bytes] = [b"<< /Type /Catalog /Pages 2 0 R >>", b""]
    objects.append(b"<< /Type /Font /Subtype /Type1 /BaseFont /Helvetica >>")
    kids = []
    for _ in range(pages):
        lines = prose(rng, 2600).decode("ascii", "replace").replace("\r", "").split("\n")
        shown = [f"({line[:95].translate(_PDF_ESCAPES)}) Tj T*" for line in lines]
        picture = photograph(rng, max(2000, size // pages - 2000))
        width, height = Image.open(io.BytesIO(picture)).size
        content = "\n".join(["BT /F1 9 Tf 12 TL 40 800 Td", *shown, "ET", "q 400 0 0 300 60 60 cm /P Do Q"])
        first = len(objects) + 1
        objects.append(
            f"<< /Type /Page /Parent 2 0 R /MediaBox [0 0 595 842] /Contents {first + 1} 0 R /Resources "
            f"<< /Font << /F1 3 0 R >> /XObject << /P {first + 2} 0 R >> >> >>".encode()
        )
        objects.append(_pdf_stream("/Filter /FlateDecode", zlib.compress(content.encode())))
        image = (
            f"/Type /XObject /Subtype /Image /Width {width} /Height {height} /ColorSpace /DeviceRGB "
            "/BitsPerComponent 8 /Filter /DCTDecode"
        )
        objects.append(_pdf_stream(image, picture))
        kids.append(f"{first} 0 R")
    objects[1] = f"<< /Type /Pages /Kids [{' '.join(kids)}] /Count {pages} >>".encode()
    return _pdf_file(objects)


_PDF_ESCAPES = str.maketrans({"(": r"\(", ")": r"\)", "\\": r"\\", "�": "?"})


def _pdf_stream(entries: str, data: bytes) -> bytes:
    return f"<< {entries} /Length {len(data)} >>\nstream\n".encode() + data + b"\nendstream"


def _pdf_file(objects: Sequence[bytes]) -> bytes:
    """Number the objects and add the cross-reference table (PDF 1.4 reference, section 3.4)."""
    out = bytearray(b"%PDF-1.4\n%\xe2\xe3\xcf\xd3\n")
    table = ["0000000000 65535 f \n"]
    for number, body in enumerate(objects, start=1):
        table.append(f"{len(out):010d} 00000 n \n")
        out += f"{number} 0 obj\n".encode() + body + b"\nendobj\n"
    start = len(out)
    out += f"xref\n0 {len(table)}\n{''.join(table)}".encode()
    out += f"trailer\n<< /Size {len(table)} /Root 1 0 R >>\nstartxref\n{start}\n%%EOF\n".encode()
    return bytes(out)


def archive(rng: np.random.Generator, size: int) -> bytes:
    """A ZIP of tables and a sound recording, with fixed times."""
    stream = io.BytesIO()
    with zipfile.ZipFile(stream, "w", zipfile.ZIP_DEFLATED) as out:
        for number in range(3):
            info = zipfile.ZipInfo(f"counts/part {number + 1}.csv", (2019, 5, 1 + number, 8, 30, 0))
            out.writestr(info, table(rng, max(200, size // 2)), zipfile.ZIP_DEFLATED)
        out.writestr(zipfile.ZipInfo("call.wav", (2019, 5, 9, 21, 4, 0)), recording(rng, size // 2))
    return stream.getvalue()


def database(rng: np.random.Generator, size: int) -> bytes:
    """A SQLite database of sightings with an index."""
    count = max(5, (size - 12_288) // 55)
    numbers = rng.integers(1, 500, count).tolist()
    birds = rng.integers(0, len(BIRDS), count).tolist()
    rows = [
        (i, f"LS{i % 17:02d}", BIRDS[bird], number) for i, (bird, number) in enumerate(zip(birds, numbers, strict=True))
    ]
    connection = sqlite3.connect(":memory:")
    try:
        connection.execute("CREATE TABLE sighting (id INTEGER PRIMARY KEY, station TEXT, species TEXT, count INTEGER)")
        connection.execute("CREATE INDEX by_species ON sighting (species)")
        connection.executemany("INSERT INTO sighting VALUES (?, ?, ?, ?)", rows)
        connection.commit()
        return connection.serialize()
    finally:
        connection.close()


def message(rng: np.random.Generator, size: int) -> bytes:
    """A letter in RFC 5322 form, ASCII."""
    body = prose(rng, max(200, size - 200)).decode("ascii", "ignore")
    number = struct.unpack("<I", rng.bytes(4))[0]
    head = (
        "From: Survey office <office@saltmarsh.example>\r\nTo: Warden <warden@saltmarsh.example>\r\n"
        f"Subject: Counts of the week, sheet {number % 900}\r\nDate: Mon, 03 Jun 2019 09:12:00 +0200\r\n"
        f"Message-ID: <{number:08x}@saltmarsh.example>\r\nMIME-Version: 1.0\r\nContent-Type: text/plain\r\n\r\n"
    )
    return (head + body).encode("ascii")

"""Frames between us and a worker process: a JSON object and raw bytes.

A frame is two little-endian 32-bit lengths, the object, the bytes. No pickles: the worker has read hostile
data and is not to be trusted with code.

>>> import io
>>> stream = io.BytesIO()
>>> write_frame(stream, {"read": 512}, b"abc")
>>> _ = stream.seek(0)
>>> read_frame(stream)
({'read': 512}, b'abc')
"""

import json
import struct
from typing import Any, BinaryIO

MAX_BYTES = 256 << 20
Frame = tuple[dict[str, Any], bytes]


def write_frame(stream: BinaryIO, message: dict[str, Any], payload: bytes = b"") -> None:
    """Write one frame and flush."""
    text = json.dumps(message).encode()
    stream.write(struct.pack("<II", len(text), len(payload)) + text + payload)
    stream.flush()


def read_frame(stream: BinaryIO) -> Frame | None:
    """Read one frame, None at the end of the stream.

    Raises:
        ValueError: the frame is longer than anything that we send, or is no JSON object.
    """
    head = stream.read(8)
    if len(head) < 8:
        return None
    text_bytes, payload_bytes = struct.unpack("<II", head)
    if text_bytes > MAX_BYTES or payload_bytes > MAX_BYTES:
        raise ValueError(f"a frame of {text_bytes} + {payload_bytes} bytes: the worker has lost its way")
    text, payload = stream.read(text_bytes), stream.read(payload_bytes)
    if len(text) < text_bytes or len(payload) < payload_bytes:
        return None
    message = json.loads(text)
    if not isinstance(message, dict):
        raise TypeError("a frame holds a JSON object")
    return message, payload

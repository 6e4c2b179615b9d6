"""A file's bytes: fingerprint, encoding and shape, found in one pass without holding the file in memory."""

from __future__ import annotations

import codecs
import hashlib
import io
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from driftwatch.errors import InputRefused

#: Bytes looked at in one go.
PIECE = 4 << 20
#: Text in another encoding than UTF-8 is turned into UTF-8 in memory; more than this is not.
LARGEST_RECODED = 256 << 20

#: First bytes of formats that are told apart by them.
SIGNATURES = (
    (b"PAR1", "Parquet"),
    (b"PK\x03\x04", "XLSX"),
    (b"\x89PNG", "a PNG picture"),
    (b"\xff\xd8\xff", "a JPEG picture"),
    (b"%PDF", "a PDF"),
    (b"\xd0\xcf\x11\xe0", "an old or locked Excel workbook"),
    (b"\x1f\x8b", "a gzip archive"),
)

#: Byte-order marks; the longer ones first, as UTF-32's begins with UTF-16's.
_MARKS = (
    (codecs.BOM_UTF32_LE, "utf-32-le"),
    (codecs.BOM_UTF32_BE, "utf-32-be"),
    (codecs.BOM_UTF8, "utf-8"),
    (codecs.BOM_UTF16_LE, "utf-16-le"),
    (codecs.BOM_UTF16_BE, "utf-16-be"),
)


@dataclass(frozen=True)
class Content:
    """The bytes of one file or stream.

    Attributes
    ----------
    name : str
        File name, for messages and for the record of where a value came from.
    sha256 : str
        Fingerprint of the bytes as they are.
    size : int
        In bytes.
    data : bytes or Path
        The bytes, where they did not come from a file; otherwise where the file is.
    changed_at : int
        When the file was last written, in ns; 0 for bytes.

    """

    name: str
    sha256: str
    size: int
    data: bytes | Path
    changed_at: int = 0

    @property
    def format(self) -> str:
        """What the first bytes are of: `XLSX`, `Parquet`, a format that is not read, or `CSV` for text."""
        with self.open() as stream:
            start = stream.read(8)
        return next((name for sign, name in SIGNATURES if start.startswith(sign)), "CSV")

    @property
    def is_text(self) -> bool:
        """Whether the first bytes can be text: of a marked encoding, or without control characters."""
        with self.open() as stream:
            start = stream.read(4096)
        if any(start.startswith(mark) for mark, _ in _MARKS) or _utf16(start):
            return True
        return not any(byte < 0x20 and byte not in b"\t\n\f\r\x1a" for byte in start)

    def open(self) -> BinaryIO:
        """Give a new stream over the bytes, at their start."""
        return io.BytesIO(self.data) if isinstance(self.data, bytes) else self.data.open("rb")

    def require_unchanged(self) -> None:
        """Refuse a file that was written to since its fingerprint was taken."""
        if isinstance(self.data, Path) and _stamp(self.data) != (self.size, self.changed_at):
            raise InputRefused(
                "the file was changed while it was read", self.name, "try again when it is finished"
            )

    def read(self) -> bytes:
        """Give all bytes."""
        return self.data if isinstance(self.data, bytes) else self.data.read_bytes()


@dataclass(frozen=True)
class Text:
    """Delimited text in UTF-8, ready to be parsed.

    Attributes
    ----------
    content : Content
        The bytes in UTF-8; those of the file itself where it is in UTF-8 already.
    start : int
        Where the text begins (behind a byte-order mark).
    quotes : bool
        Whether there is any quote sign in it.
    breaks : int
        How many line feeds there are, a missing last one counted.
    ends : bool
        Whether the last line has its line end.
    note : str
        What the user should know of the encoding; "" if nothing.

    """

    content: Content
    start: int
    quotes: bool
    breaks: int
    ends: bool
    note: str = ""


def content_of(path: Path, name: str | None = None) -> Content:
    """Take a file's fingerprint; `InputRefused` if it cannot be read or holds nothing."""
    shown = path.name if name is None else name
    digest, size, blank = hashlib.sha256(), 0, True
    try:
        if path.is_dir():
            raise InputRefused("this is a folder, not a file", str(path), "name the files in it")
        _, changed_at = _stamp(path)
        with path.open("rb") as stream:
            while piece := stream.read(PIECE):
                digest.update(piece)
                size += len(piece)
                blank = blank and not piece.strip()
    except FileNotFoundError:
        raise InputRefused("there is no such file", str(path), "check the path") from None
    except (OSError, ValueError) as problem:
        text = getattr(problem, "strerror", None) or str(problem)
        raise InputRefused(f"the file cannot be read ({text})", str(path)) from None
    if blank:
        raise InputRefused("the file is empty", shown, "export it again")
    return Content(shown, digest.hexdigest(), size, path, changed_at)


def _stamp(path: Path) -> tuple[int, int]:
    facts = path.stat()
    return facts.st_size, facts.st_mtime_ns


def content_of_bytes(data: bytes, name: str) -> Content:
    """The same for bytes that came from elsewhere (standard input)."""
    if not data.strip():
        raise InputRefused("there is nothing in it", name, "export it again")
    return Content(name, hashlib.sha256(data).hexdigest(), len(data), data)


def text_of(content: Content) -> Text:
    """Find the encoding, and turn text that is not UTF-8 into it.

    A byte-order mark decides; zero bytes at every other place mean UTF-16; otherwise text is UTF-8, or, where
    it cannot be, Windows-1252, which is said in a note.

    Raises
    ------
    InputRefused
        If the bytes are no text.

    """
    with content.open() as stream:
        start = stream.read(4096)
    for mark, encoding in _MARKS:
        if start.startswith(mark):
            if encoding == "utf-8":
                return _in_utf8(content, len(mark)) or _recoded(content, "cp1252", len(mark))
            return _recoded(content, encoding, len(mark))
    if encoding := _utf16(start):
        return _recoded(content, encoding, 0)
    return _in_utf8(content, 0) or _recoded(content, "cp1252", 0)


def _utf16(start: bytes) -> str:
    """Give the kind of UTF-16 that bytes without a mark are in, by their zero bytes; "" for none."""
    even, odd = start[0:200:2], start[1:200:2]
    if odd.count(0) > 0.7 * len(odd) and 0 not in even:
        return "utf-16-le"
    return "utf-16-be" if even.count(0) > 0.7 * len(even) and 0 not in odd else ""


def _in_utf8(content: Content, start: int) -> Text | None:
    """Look through text once; None if it is not UTF-8, or has the line ends of old computers."""
    decoder = codecs.getincrementaldecoder("utf-8")()
    quotes, breaks, returns, last = False, 0, False, b""
    with content.open() as stream:
        stream.seek(start)
        while piece := stream.read(PIECE):
            if b"\x00" in piece:
                raise InputRefused(
                    "this is not text: it holds zero bytes", content.name, "save it as CSV in UTF-8"
                )
            try:
                if not piece.isascii() or decoder.getstate()[0]:
                    decoder.decode(piece)
            except UnicodeDecodeError:
                return None
            quotes = quotes or b'"' in piece
            breaks += piece.count(b"\n")
            returns = returns or b"\r" in piece
            last = piece[-1:]
    if decoder.getstate()[0]:
        return None
    ends = last == b"\n"
    if returns and not breaks:
        return _recoded(content, "utf-8", start)
    return Text(content, start, quotes, breaks + (not ends), ends)


def _recoded(content: Content, encoding: str, start: int) -> Text:
    if content.size > LARGEST_RECODED:
        raise InputRefused(
            "the text is not UTF-8, and too large to be turned into it", content.name, "save it as UTF-8"
        )
    try:
        text = content.read()[start:].decode(encoding)
    except UnicodeDecodeError as problem:
        raise InputRefused(
            f"this is not text in any encoding that is read ({encoding}, byte {start + problem.start})",
            content.name,
            "save it as CSV in UTF-8",
        ) from None
    if "\x00" in text:
        raise InputRefused("this is not text: it holds zero bytes", content.name, "save it as CSV in UTF-8")
    if "\n" not in text:
        text = text.replace("\r", "\n")
    data = text.encode("utf-8", errors="surrogatepass")
    try:
        data.decode("utf-8")
    except UnicodeDecodeError:
        raise InputRefused(
            "this is not text: it holds half signs", content.name, "save it as UTF-8"
        ) from None
    note = (
        "" if encoding.startswith("utf") else "read as Windows-1252, as it is not UTF-8: check signs like é"
    )
    ends = data.endswith(b"\n")
    again = Content(content.name, content.sha256, len(data), data)
    return Text(again, 0, b'"' in data, data.count(b"\n") + (not ends), ends, note)

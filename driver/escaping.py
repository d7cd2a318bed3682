"""Text from a wire, made fit for a terminal, a log or a page: printable ASCII, everything else as \\xNN."""

from __future__ import annotations


def escape(text: bytes | str | None, cap: int = 120) -> str:
    """Printable ASCII stays, a backslash is doubled, everything else becomes \\xNN; cut at `cap` characters."""
    if text is None:
        return ""
    data = text if isinstance(text, bytes) else _encoded(text)
    shown = "".join(
        "\\\\" if byte == 0x5C else chr(byte) if 0x20 <= byte < 0x7F else f"\\x{byte:02x}" for byte in data[:cap]
    )
    return shown[:cap] + ("..." if len(data) > cap or len(shown) > cap else "")


def _encoded(text: str) -> bytes:
    try:
        return text.encode("utf-8", "surrogateescape")  # a file's name that is no UTF-8
    except UnicodeEncodeError:
        return text.encode("utf-8", "surrogatepass")  # JSON may hold a lone surrogate of another kind

"""How text is laid out on a screen of a given width: lines that are never longer, and rows with a label before them."""

from textwrap import wrap

LABEL_WIDTH = 11


def wrapped(text: str, width: int, *, indent: int = 0, hanging: int | None = None) -> list[str]:
    """Return a text in lines of at most `width` characters; `hanging` is the indent of the lines after the first."""
    after = indent if hanging is None else hanging
    return wrap(
        text,
        max(20, width),
        initial_indent=" " * indent,
        subsequent_indent=" " * after,
        break_on_hyphens=False,
    ) or [""]


def labelled(label: str, text: str, width: int, *, label_width: int = LABEL_WIDTH) -> list[str]:
    """Return a label and its text, the text in a column of its own; a long label has a line to itself."""
    if len(label) >= label_width:
        return [label, *wrapped(text, width, indent=label_width)]
    first, *others = wrapped(text, width, indent=label_width)
    return [label + first[len(label) :], *others]


def columns(rows: list[list[str]], left: frozenset[int] = frozenset()) -> list[str]:
    """Return a table as lines, two spaces apart; its first row is the heading, and `left` says what is not right."""
    widths = [max(len(line[i]) for line in rows) for i in range(len(rows[0]))]
    return [
        "  ".join(
            text.ljust(width) if i in left else text.rjust(width)
            for i, (text, width) in enumerate(zip(line, widths, strict=True))
        ).rstrip()
        for line in rows
    ]

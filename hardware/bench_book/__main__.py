"""Write the pages of bench files: the examples' into hardware/benches, somebody's own beside their bench file."""

import sys
from pathlib import Path

import matplotlib as mpl
from hardware.bench_book.bench import Bench, read
from hardware.bench_book.page import page
from hardware.bench_book.plumbing import draw_plumbing
from hardware.bench_book.vessel import draw_lid

from hardware import draw

HERE = Path(__file__).parents[1]
EXAMPLES = tuple(HERE.parent / "config" / f"bench-{name}.toml" for name in ("node", "serial", "header"))


def write(bench: Bench, folder: Path) -> None:
    """Write a bench's page and its pictures into a folder."""
    mpl.use("Agg")
    folder.mkdir(exist_ok=True)
    (folder / f"bench-{bench.title}.md").write_text(page(bench), encoding="utf-8")
    draw_plumbing(bench, folder / f"bench-{bench.title}-plumbing.png")
    draw_lid(bench, folder / f"bench-{bench.title}-lid.png")
    section = draw.vessel(bench.table)
    section.savefig(folder / f"bench-{bench.title}-section.png", bbox_inches="tight", dpi=100)


def main(given: list[str]) -> None:
    for path in map(Path, given):
        write(read(path), path.parent / f"{path.stem}-book")
    for path in EXAMPLES if not given else ():
        write(read(path), HERE / "benches")


if __name__ == "__main__":
    main(sys.argv[1:])

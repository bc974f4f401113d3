"""A bench file as a builder needs it, drawn and listed: `python -m hardware.bench_book [BENCH.toml ...]`."""

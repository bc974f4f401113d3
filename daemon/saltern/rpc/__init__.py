"""JSON-RPC 2.0 over a Unix socket: how commands reach a running service."""

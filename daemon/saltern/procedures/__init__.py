"""One file a procedure; each reads top-down like a lab SOP."""

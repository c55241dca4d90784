"""Start the command line, as ``vinemap`` and as ``python -m vinemap``."""

from __future__ import annotations


def main() -> None:
    """Run the command line; Ctrl-C while it still loads ends in one plain line too."""
    try:
        from vinemap.interrupts import stop_cleanly  # noqa: PLC0415 - nothing is loaded before Ctrl-C is answered

        stop_cleanly()
    except KeyboardInterrupt:
        raise SystemExit("Stopped; nothing was written.") from None
    from vinemap.cli import main as run  # noqa: PLC0415

    run()


if __name__ == "__main__":
    main()

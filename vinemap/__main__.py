"""Start the command line, as ``vinemap`` and as ``python -m vinemap``."""

from __future__ import annotations


def main() -> None:
    """Run the command line; Ctrl-C while it still loads ends in one plain line too."""
    try:
        # Nothing else is loaded before Ctrl-C is answered.
        from vinemap.interrupts import finish_quietly, stop_cleanly  # noqa: PLC0415

        stop_cleanly()
    except KeyboardInterrupt:
        raise SystemExit("Stopped; nothing was written.") from None
    from vinemap.characters import compare_as_ascii  # noqa: PLC0415

    compare_as_ascii()
    from vinemap.cli import main as run  # noqa: PLC0415

    try:
        run()
    finally:
        finish_quietly()


if __name__ == "__main__":
    main()

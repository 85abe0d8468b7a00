"""``python -m signalling``: the ``signalling`` command."""

from __future__ import annotations

from signalling.cli import main

if __name__ == "__main__":
    raise SystemExit(main())

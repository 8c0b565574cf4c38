"""``python -m daemon`` is ``tegwatch``."""

from daemon.cli import main

if __name__ == "__main__":
    main()

"""``python -m edgeagent`` is the command ``edgeagent``."""

from edgeagent.cli import main

if __name__ == "__main__":
    main()

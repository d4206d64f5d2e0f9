"""A new folder that is whole or not there: what has the name was written to its end."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from edgeagent.errors import AgentError, UsageError
from edgeagent.store.files import make_folder, sync_folder, sync_tree


@contextmanager
def new_whole_folder(out: Path) -> Iterator[Path]:
    """A folder to write into, which gets its name when the context ends well; else nothing is left of it.

    Raises UsageError where ``out`` exists already, AgentError where it cannot be written.
    """
    if out.exists():
        raise UsageError(f"{out} exists already; it is kept as it is")
    above = out.absolute().parent
    folder: Path | None = None
    try:
        make_folder(above)
        # Beside the wanted one, so that the rename stays within a file system; hidden, so that nobody reads it
        # meanwhile.
        folder = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".tmp", dir=above))
        yield folder
        # mkdtemp makes it for its owner alone.
        folder.chmod(0o755)
        # Before it has its name: after a power cut a folder of this name must still be whole.
        sync_tree(folder)
        folder.rename(out)
        # Until its name is durable too: what is reported as not written must not be there under its name.
        folder = out
        sync_folder(above)
        folder = None
    except OSError as error:
        raise AgentError(f"{out}: cannot be written: {error.strerror or error}; nothing was written") from error
    finally:
        if folder is not None:
            # Gone where all went well: it has its name then.
            with suppress(OSError):
                shutil.rmtree(folder)

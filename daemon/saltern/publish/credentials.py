"""Secrets come from files that only the service may read, and are never logged, exported or put in the bench file."""

import os
import stat
from pathlib import Path

from saltern.errors import ConfigError


def secret(name: str, folder: Path) -> str:
    """Return the content of a credential file, stripped.

    Parameters
    ----------
    name
        A file of systemd's credentials directory (`LoadCredential=`), or a path, relative to the bench file's folder.
    folder
        That folder.

    Raises
    ------
    ConfigError
        It is not there, cannot be read, is empty, or others may read it.
    """
    path = Path(name)
    granted = os.environ.get("CREDENTIALS_DIRECTORY")
    if granted and os.path.isfile(os.path.join(granted, name)):  # false also where it may not be entered
        path = Path(granted) / name
    elif not path.is_absolute():
        path = folder / path
    try:
        mode = stat.S_IMODE(path.stat().st_mode)
        text = path.read_text(encoding="utf-8").strip()
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(
            f"the credential cannot be read ({getattr(error, 'strerror', None) or 'not text'})",
            where=str(path),
            remedy="Put the secret there, readable for the service's user alone",
        ) from error
    if mode & 0o077:
        raise ConfigError(
            f"others may read this credential (mode {mode:03o})", where=str(path), remedy=f"chmod 600 {path}"
        )
    if not text:
        raise ConfigError("the credential is empty", where=str(path), remedy="Put the secret there")
    return text

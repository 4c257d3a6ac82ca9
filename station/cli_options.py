"""Options that several commands share."""

from pathlib import Path

import click

FOLDER = click.Path(file_okay=False, path_type=Path)
FILE = click.Path(dir_okay=False, path_type=Path)
DATA_HELP = "Folder with records and sheets (default: $POLEMARK_DATA, else ./polemark-data)."

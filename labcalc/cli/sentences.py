"""``labcalc sentences``: what the pages say, for a translator."""

from pathlib import Path

import click

from labcalc.cli.words import FILE, answer, remark
from labcalc.writing import write_whole


@click.command()
@click.argument("file", type=FILE, metavar="FILE.po")
@click.option("--language", metavar="CODE", default="", help="Language of a new file, such as de or pt_BR.")
@answer
def sentences(file: Path, language: str) -> int:
    """Write every sentence of the pages for a translator.

    A file that is there keeps its translations and gets the sentences that are new.
    """
    from labcalc.workbooks.sentences import write_catalogue

    try:
        content, number, translated = write_catalogue(language, file.read_bytes() if file.exists() else b"")
    except ValueError as refusal:
        raise click.UsageError(f"{file.name}: {refusal}") from refusal
    write_whole(file, content)
    remark(f"{number:,} sentences, {translated:,} of them translated. lab.toml names it: [report] translation")
    return 0

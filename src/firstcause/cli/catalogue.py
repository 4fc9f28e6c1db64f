"""`firstcause knowledge catalogue`: write the readable catalogue of every pack, as pages or for the docs."""

from __future__ import annotations

from pathlib import Path

import click


@click.command()
@click.option("--pack", "packs", multiple=True, help="Only this pack (may be given again); all of them otherwise.")
@click.option("--format", "form", type=click.Choice(["html", "md"]), default="html", show_default=True)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), default=Path("catalogue"), show_default=True)
@click.option(
    "--own", type=click.Path(path_type=Path), default=None, envvar="FIRSTCAUSE_KNOWLEDGE",
    help="A folder with own entries, laid over the shipped ones.",
)  # fmt: skip
def catalogue(packs: tuple[str, ...], form: str, out: Path, own: Path | None) -> None:
    """Write one page for each pack: every fault with what speaks for it and against it, in decibans."""
    from firstcause.handover.catalogue import catalogue_of
    from firstcause.handover.catalogue_html import catalogue_html
    from firstcause.handover.catalogue_md import catalogue_markdown
    from firstcause.knowledge.base import load, pack_names

    write = catalogue_html if form == "html" else catalogue_markdown
    pages = {pack: write(catalogue_of(load(pack, own=own))) for pack in packs or pack_names()}
    out.mkdir(parents=True, exist_ok=True)
    for pack, text in pages.items():
        file = out / f"{pack}.{form}"
        file.write_text(text, encoding="utf-8")
        click.echo(f"{file} written.")

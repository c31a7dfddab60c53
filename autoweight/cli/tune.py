"""``autoweight tune``."""

from __future__ import annotations

import click

from autoweight.cli.options import Choice, choosing, flatten, force, recipe, say


@click.command()
@click.argument("rig")
@recipe
@click.option("-o", "--output", metavar="OUT", help="Where the rig is written (RIG with _tuned).")
@click.option("--port", type=click.IntRange(0, 65535), default=0, help="Of the page; any if 0.")
@click.option("--no-open", is_flag=True, help="Only print the address; open no browser.")
@choosing
@flatten
@force
def command(
    rig: str,
    recipe_file: str | None,
    output: str | None,
    port: int,
    no_open: bool,
    taken: Choice,
    flatten: bool,
    force: bool,
) -> None:
    """Tune the recipe for RIG on a live page of this machine; Ctrl-C ends it.

    The page shows the character by the recipe as it is edited. Saving there writes FILE (RIG with
    .toml if none is given), and painted locks beside it as FILE with .locks.npy; writing there
    writes OUT, as 'solve RIG --recipe FILE -o OUT' would. Needs the extra 'tune'.

    \b
    Example:
      autoweight tune axolotl/weighted.glb --recipe axolotl/recipe.toml
    """
    import secrets
    import webbrowser
    from pathlib import Path

    from autoweight.errors import FileError, naming

    try:
        from autoweight.tuning import server
        from autoweight.tuning.desk import Desk
        from autoweight.tuning.live import Live
    except ModuleNotFoundError as error:
        if (error.name or "").split(".")[0] not in ("starlette", "uvicorn", "tomlkit"):
            raise
        raise FileError(
            f"the package {error.name} is not installed; pip install 'autoweight[tune]'"
        ) from error

    path = Path(rig)
    written = Path(output) if output else path.with_name(f"{path.stem}_tuned{path.suffix}")
    asked = Path(recipe_file) if recipe_file else path.with_suffix(".toml")
    try:
        at = server.listening(port)
    except OSError as error:
        raise FileError(
            f"port {port} cannot be had ({error.strerror}); leave out --port"
        ) from error
    with at, naming(rig):
        desk = Desk(
            lambda: taken(rig),
            asked,
            written,
            force=force,
            flatten=flatten,
        )
        secret = secrets.token_urlsafe(24)
        address = f"http://127.0.0.1:{at.getsockname()[1]}/{secret}/"
        live = Live(desk, path)
        say(f"recipe  {asked}\nrig     {written}\npage    {address}")
        at.listen()
        if not no_open:
            webbrowser.open(address)
        try:
            server.made(live, at, secret).run(sockets=[at])
        except KeyboardInterrupt:
            click.echo("", err=True)
    if desk.unsaved:
        click.echo(f"unsaved edits are kept; 'tune {rig}' takes them up again", err=True)

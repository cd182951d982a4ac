"""The command line: the group and its commands, one file each. stdout carries data, stderr talk."""

import click

from ..version import MODEL_VERSION, __version__
from .base import EXIT, Group
from .beside import beside
from .book import book
from .calibrate import calibrate
from .change import change
from .check import check
from .choose import choose
from .circuit import circuit
from .compare import compare
from .cuttest import cuttest
from .day import day
from .draw import draw
from .droptest import droptest
from .energy import energy
from .export import export
from .heat import heat
from .idle import idle
from .keys import keys
from .materials import materials
from .new import new
from .next import next_
from .plot import plot
from .possible import possible
from .predict import predict
from .report import report
from .run import run_command
from .sieve import sieve
from .sweep import sweep
from .targets import targets
from .wear import wear
from .why import why_command

_CODES = "\b\nExit codes:\n" + "\n".join(f"  {code:<4} {meaning}" for code, meaning in EXIT.items())


@click.group(
    cls=Group, epilog=_CODES, context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100}
)
@click.version_option(__version__, message=f"millsim {__version__}, model {MODEL_VERSION}")
@click.option("--debug", is_flag=True, help="Show a traceback when something fails.")
def cli(debug: bool) -> None:
    """Predict what a small rotor mill makes of its feed, before it is built.

    Begin with `millsim new mill.toml`, which asks for your mill; then check, draw and predict it.
    """


for _command in (
    new, predict, check, draw, heat, wear, why_command, report, run_command, sieve, calibrate, compare, next_,
    droptest, cuttest, idle, energy, sweep, choose, targets, circuit, beside, change, possible, day, book, plot,
    export, materials, keys,
):  # fmt: skip
    _command.epilog = "Exit codes: millsim --help."
    cli.add_command(_command)

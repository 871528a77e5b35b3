"""The group that every command belongs to: an option that takes one value is given once."""

from collections import Counter

import typer
from typer.core import TyperCommand, TyperOption

from formcheck.model.errors import UsageError


class _Command(TyperCommand):
    """A command whose options are taken as they were given, all of them.

    The parser keeps the last value of an option that was given twice and drops the others without
    a word; a folder or a side that was asked for and never used is worse than an error.
    """

    def parse_args(self, ctx, args):
        _, _, given = self.make_parser(ctx).parse_args(args=list(args))
        once = [p for p in given if isinstance(p, TyperOption) and not (p.multiple or p.count)]
        if not any(p.is_eager for p in once):  # --help is never refused
            for option, n in Counter(once).items():
                if n > 1:
                    names = " or ".join((*option.opts, *option.secondary_opts))
                    raise UsageError(f"{names} was given {n} times; give it once")
        return super().parse_args(ctx, args)


class Commands(typer.Typer):
    """A group of such commands."""

    def command(self, name=None, **about):
        return super().command(name, cls=_Command, **about)

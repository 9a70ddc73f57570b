"""`stagectl completion`: the script with which a shell completes commands, options and names."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import click

if TYPE_CHECKING:
    from click.shell_completion import ShellComplete

ASKS: Final = "_STAGECTL_COMPLETE"
"""The variable by which the script asks for what to offer."""

HOW: Final = {
    "bash": """\
# For every new shell, where bash-completion is installed:
#   mkdir -p ~/.local/share/bash-completion/completions
#   stagectl completion bash > ~/.local/share/bash-completion/completions/stagectl
# Anywhere else, in ~/.bashrc:
#   eval "$(stagectl completion bash)"
""",
    "zsh": """\
# For every new shell:
#   mkdir -p ~/.zfunc && stagectl completion zsh > ~/.zfunc/_stagectl
# and in ~/.zshrc, before `compinit`:
#   fpath=(~/.zfunc $fpath)
#   autoload -Uz compinit && compinit
""",
    "fish": """\
# For every new shell:
#   mkdir -p ~/.config/fish/completions
#   stagectl completion fish > ~/.config/fish/completions/stagectl.fish
""",
}
"""How to install it, by shell."""

_CHANGES: Final[dict[str, tuple[tuple[str, str], ...]]] = {
    "bash": (
        # It takes `--venue=Ti` apart, and only what stands behind the sign is completed.
        (
            """\
    response=$(env COMP_WORDS="${COMP_WORDS[*]}" COMP_CWORD=$COMP_CWORD""",
            """\
    local -a words=()
    local word option= sign=
    for word in "${COMP_WORDS[@]:0:COMP_CWORD + 1}"; do
        if [[ -n $sign || ( -n $option && $word == = ) ]]; then
            words[${#words[@]} - 1]+=$word
            [[ -z $sign ]] && sign=$word || sign=
            option=
        else
            words+=("$word")
            [[ $word == --* ]] && option=$word || option=
        fi
    done
    response=$(env COMP_WORDS="${words[*]}" COMP_CWORD=$((${#words[@]} - 1))""",
        ),
        # `read` takes backslashes away, and a comma at the end.
        ("IFS=',' read type value <<< \"$completion\"", "local type=${completion%%%%,*} value=${completion#*,}"),
        # A name is one word whatever is in it: quoted as the quote asks that it was begun with, or as a whole.
        (
            "COMPREPLY+=($value)",
            r"""case ${COMP_WORDS[COMP_CWORD]} in
            \"*) value=${value//\\/\\\\}; value=${value//\"/\\\"}; value=${value//\$/\\\$}; value=${value//\`/\\\`} ;;
            \'*) value=${value//\'/\'\\\'\'} ;;
            *) printf -v value %%q "$value" ;;
            esac
            COMPREPLY+=("$value")""",
        ),
    ),
    # What stands before the sign of `--venue=Ti` is left as it is.
    "zsh": (
        (
            "compadd -U -V unsorted -a completions",
            "compset -P '--*='\n        compadd -U -i \"$IPREFIX\" -V unsorted -a completions",
        ),
    ),
    "fish": (
        # A name may hold a comma.
        ('string split "," $completion', 'string split --max 1 "," $completion'),
        # A word is completed as a whole, and so begins as it was begun.
        (
            "    for completion in $response;",
            "    set -l begun (string match --regex -- '^--[^=]+=' (commandline -t));\n\n"
            "    for completion in $response;",
        ),
        ("echo $metadata[2];", 'echo "$begun$metadata[2]";'),
    ),
}
"""What is changed in click's own scripts, for names as songs have them."""


@click.command("completion", short_help="A script with which your shell completes what you type.")
@click.argument("shell", type=click.Choice([*HOW]))
def command(shell: str) -> None:
    """Print the script with which a shell completes commands, options, and the names of your show: venues, songs,
    listeners and inputs of the SETLIST that is on the line, nights that were kept, pedals that were in them.

    How to install it stands at its top.

    \b
    Examples: in bash, for this shell; in zsh and in fish, for every new one
      eval "$(stagectl completion bash)"
      stagectl completion zsh > ~/.zfunc/_stagectl
      stagectl completion fish > ~/.config/fish/completions/stagectl.fish
    """
    click.echo(script(shell), nl=False)


def script(shell: str) -> str:
    """The script, with how to install it."""
    from click.shell_completion import get_completion_class

    from stagectl.cli.main import main

    own = get_completion_class(shell)
    assert own is not None
    text = _changed(own, shell)(main, {}, "stagectl", ASKS).source().lstrip().rstrip("\n ;") + "\n"
    # zsh looks for its mark in the first line.
    first, rest = text.split("\n", 1)
    return f"{first}\n{HOW[shell]}{rest}" if first.startswith("#compdef") else f"{HOW[shell]}{text}"


def _changed(own: type[ShellComplete], shell: str) -> type[ShellComplete]:
    template = own.source_template
    for old, new in _CHANGES.get(shell, ()):
        template = template.replace(old, new)

    class Changed(own):  # type: ignore[misc, valid-type]
        source_template = template

    return Changed

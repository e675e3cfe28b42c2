"""The command line. Each command is a module in `cli`; here they are only named and given their options."""

from crumbmeter.cli.commands import app


def main() -> None:
    """Run the command that was typed."""
    app()


if __name__ == "__main__":
    main()

"""The simulator's command line."""

from crumbmeter_sim.cli import app


def main() -> None:
    """Run the command line."""
    app()


if __name__ == "__main__":
    main()

"""`noonmark`, and `python -m noonmark.driver`: signals are caught before anything that takes time is loaded."""

import sys

from noonmark.driver.interrupts import catching


def main() -> None:
    """Run the command line and exit. What loads it takes a tenth of a second or two: a signal meanwhile is told too."""
    with catching() as flag:
        from noonmark.driver import cli

        if sys.argv[1:2] and sys.argv[1] in cli.CATCHING:
            cli.main(flag=flag)
    cli.main(flag=flag)


if __name__ == "__main__":
    main()

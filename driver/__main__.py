"""`python -m noonmark.driver`."""

from noonmark.driver.cli import main

if __name__ == "__main__":
    main()

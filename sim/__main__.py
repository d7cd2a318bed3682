"""`python -m noonmark.sim`: the verb `sim` by itself."""

from noonmark.sim.cli import sim

if __name__ == "__main__":
    sim(prog_name="python -m noonmark.sim")

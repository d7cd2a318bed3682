"""The parts of measuring and setting a mount's clock.

The face is `noonmark.driver.clockset`.
"""

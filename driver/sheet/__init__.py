"""The parts of the sheet for tonight: keypad, true north, pole, level, balance, the night, cautions.

Its face is `noonmark.driver.brief`.
"""

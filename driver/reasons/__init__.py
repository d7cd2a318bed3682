"""The parts of saying what is wrong: causes as a table, what they predict, the search, sightings.

The face is `noonmark.driver.explanation`.
"""

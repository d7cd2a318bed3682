"""What stands under a link or a stream: addresses, locks, device files, TCP, bridges.

The faces are `noonmark.driver.links` and `noonmark.driver.streams`.
"""

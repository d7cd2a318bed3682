"""A signal only raises a flag; a second one ends the process at once."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import textwrap
import threading

import pytest

from noonmark.driver.interrupts import Interrupted, InterruptFlag, catching


@pytest.mark.parametrize(("number", "status"), [(signal.SIGINT, 130), (signal.SIGTERM, 143)])
def test_a_signal_is_kept_until_someone_tests_for_it(number: signal.Signals, status: int) -> None:
    with catching() as flag:
        flag.check()
        os.kill(os.getpid(), number)
        assert flag.signal_number == number
        for _ in range(2):
            with pytest.raises(Interrupted) as caught:
                flag.check()
            assert (caught.value.signal_number, caught.value.exit_status) == (number, status)


def test_no_handler_of_all_exceptions_swallows_an_interrupt() -> None:
    assert not issubclass(Interrupted, Exception)


def test_the_earlier_handlers_come_back_whatever_happened() -> None:
    before = [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)]
    with catching() as flag:
        os.kill(os.getpid(), signal.SIGINT)
        assert signal.getsignal(signal.SIGTERM) is signal.SIG_DFL
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before
    assert flag.signal_number == signal.SIGINT
    with pytest.raises(RuntimeError, match="ours"), catching():
        raise RuntimeError("ours")
    assert [signal.getsignal(number) for number in (signal.SIGINT, signal.SIGTERM)] == before


def test_a_signal_that_was_ignored_stays_ignored() -> None:
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        with catching() as flag:
            os.kill(os.getpid(), signal.SIGINT)
            flag.check()
    finally:
        signal.signal(signal.SIGINT, before)


def test_the_first_signal_is_the_one_that_is_told() -> None:
    flag = InterruptFlag()
    flag.set(signal.SIGTERM)
    flag.set(signal.SIGINT)
    assert flag.signal_number == signal.SIGTERM


def test_outside_the_main_thread_a_flag_is_given_and_no_handler_touched() -> None:
    seen: list[bool] = []

    def run() -> None:
        before = signal.getsignal(signal.SIGTERM)
        with catching() as flag:
            flag.check()
            seen.append(signal.getsignal(signal.SIGTERM) is before)

    thread = threading.Thread(target=run)
    thread.start()
    thread.join()
    assert seen == [True]


@pytest.mark.parametrize("second", [signal.SIGINT, signal.SIGTERM])
def test_a_second_signal_ends_a_program_that_goes_on_regardless(second: signal.Signals) -> None:
    program = textwrap.dedent(
        """
        import threading, sys
        from noonmark.driver.interrupts import catching
        with catching() as flag:
            print("ready", flush=True)
            while flag.signal_number is None:
                pass
            print("noted", flush=True)
            threading.Event().wait()
        """
    )
    with subprocess.Popen([sys.executable, "-c", program], stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        child.send_signal(signal.SIGINT)
        assert child.stdout.readline() == "noted\n"
        child.send_signal(second)
        assert child.wait(timeout=10) == -second

"""The engraver in the threads of a server: each must find its fonts."""

from concurrent.futures import ThreadPoolExecutor

from app.files.abc_text import check_abc


def test_every_thread_can_engrave():
    texts = [f"M:3/4\nL:1/8\nK:Dm\nD2F2A2|d4{letter}2|" for letter in "ABCDEFGabcdefg"]
    with ThreadPoolExecutor(7) as pool:
        checks = list(pool.map(lambda text: check_abc(text, instrument="clarinet-bb"), texts))
    assert all("<svg" in check.svg for check in checks)

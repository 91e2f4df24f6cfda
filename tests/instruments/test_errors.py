"""What links and instruments say of a failure."""

from instruments.errors import reason_of


def test_an_error_number_of_the_system_is_no_reason() -> None:
    assert reason_of(OSError(9, "Bad file descriptor")) == "Bad file descriptor"
    assert reason_of(ConnectionError("[Errno 9] Bad file descriptor")) == "Bad file descriptor"
    assert reason_of(TimeoutError()) == "TimeoutError"

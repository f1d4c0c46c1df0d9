from collections.abc import Iterator

class Error(Exception):
    path: str
    line: int | None
    reason: str

class CaptureError(Error): ...
class InputError(Error): ...

class Batch:
    def __len__(self) -> int: ...
    def __arrow_c_array__(
        self, requested_schema: object | None = None
    ) -> tuple[object, object]: ...

class Batches(Iterator[Batch]):
    def __iter__(self) -> Batches: ...
    def __next__(self) -> Batch: ...
    def close(self) -> None: ...

def report(
    paths: list[str],
    roster: str | None = None,
    wiring: str | None = None,
    readings: str | None = None,
    hide_identity: bool = False,
    threads: int | None = None,
) -> str: ...
def compared(
    before: list[str],
    after: list[str],
    roster: str | None = None,
    wiring: str | None = None,
    hide_identity: bool = False,
    threads: int | None = None,
) -> str: ...
def outages(path: str, roster: str | None = None, threads: int | None = None) -> Batch: ...
def codes(path: str, threads: int | None = None) -> Batch: ...
def frames(
    path: str,
    rows: int | None = None,
    threads: int | None = None,
    hide_identity: bool = False,
) -> Batches: ...
def messages(
    path: str,
    rows: int | None = None,
    threads: int | None = None,
    hide_identity: bool = False,
) -> Batches: ...
def simulated(
    scenario: str, out: str, seed: int | None = None, sound: bool = False
) -> str: ...

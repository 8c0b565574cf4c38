"""Where in a TOML text each key stands, so that an error can name its line.

The standard library reads TOML but forgets lines. This scanner runs after it and only on text that it has
accepted, so it needs no error handling of its own: it finds keys, and jumps over values.
"""

from __future__ import annotations

KeyPath = tuple[str | int, ...]

_BARE = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789_-")


def key_lines(text: str) -> dict[KeyPath, int]:
    """Map every key path of a valid TOML text to the line, counted from 1, on which it is given.

    Items of arrays have their index in the path: ``("units", 0, "name")``. A table that is opened by a
    header has the header's line.
    """
    return _Scanner(text).scan()


class _Scanner:
    def __init__(self, text: str) -> None:
        self.text = text.replace("\r\n", "\n")
        self.position = 0
        self.line = 1
        self.lines: dict[KeyPath, int] = {}
        self.array_tables: dict[KeyPath, int] = {}

    def scan(self) -> dict[KeyPath, int]:
        table: KeyPath = ()
        while self._skip_blank():
            if self.text.startswith("[[", self.position):
                self._advance(2)
                table = self._open_array_table(self._keys())
                self._advance(2)
            elif self._peek() == "[":
                self._advance(1)
                table = self._resolve(self._keys())
                self._record(table)
                self._advance(1)
            else:
                self._key_value(table)
        return self.lines

    def _peek(self) -> str:
        return self.text[self.position : self.position + 1]

    def _advance(self, count: int) -> None:
        self.line += self.text.count("\n", self.position, self.position + count)
        self.position += count

    def _skip_blank(self) -> bool:
        """Skip white space, line ends, commas and comments; false at the end of the text."""
        while character := self._peek():
            if character == "#":
                end = self.text.find("\n", self.position)
                self.position = len(self.text) if end < 0 else end
            elif character in " \t\n,":
                self._advance(1)
            else:
                return True
        return False

    def _record(self, path: KeyPath) -> None:
        for length in range(1, len(path) + 1):
            self.lines.setdefault(path[:length], self.line)

    def _resolve(self, keys: list[str]) -> KeyPath:
        """Give each array of tables on the way the index of its newest table."""
        path: KeyPath = ()
        for key in keys:
            path = (*path, key)
            if path in self.array_tables:
                path = (*path, self.array_tables[path])
        return path

    def _open_array_table(self, keys: list[str]) -> KeyPath:
        path = (*self._resolve(keys[:-1]), keys[-1])
        self.array_tables[path] = self.array_tables.get(path, -1) + 1
        table = (*path, self.array_tables[path])
        self._record(table)
        return table

    def _keys(self) -> list[str]:
        """Read a key, dotted or not, quoted or bare, up to what follows it."""
        keys = []
        while True:
            self._skip_spaces()
            if self._peek() in {'"', "'"}:
                start = self.position
                self._skip_string()
                keys.append(_unquote(self.text[start : self.position]))
            else:
                start = self.position
                while self._peek() and self._peek() in _BARE:
                    self.position += 1
                keys.append(self.text[start : self.position])
            self._skip_spaces()
            if self._peek() != ".":
                return keys
            self.position += 1

    def _skip_spaces(self) -> None:
        while self._peek() and self._peek() in " \t":
            self.position += 1

    def _key_value(self, table: KeyPath) -> None:
        line = self.line
        path: KeyPath = (*table, *self._keys())
        for length in range(len(table) + 1, len(path) + 1):
            self.lines.setdefault(path[:length], line)
        self._advance(1)  # the equals sign
        self._skip_spaces()
        self._value(path)

    def _value(self, path: KeyPath) -> None:
        character = self._peek()
        if character in {'"', "'"}:
            self._skip_string()
        elif character == "[":
            self._advance(1)
            index = 0
            while self._skip_blank() and self._peek() != "]":
                self.lines.setdefault((*path, index), self.line)
                self._value((*path, index))
                index += 1
            self._advance(1)
        elif character == "{":
            self._advance(1)
            while self._skip_blank() and self._peek() != "}":
                self._key_value(path)
            self._advance(1)
        else:
            while self._peek() and self._peek() not in ",]}\n#":
                self.position += 1

    def _skip_string(self) -> None:
        quote = self._peek()
        delimiter = quote * 3 if self.text.startswith(quote * 3, self.position) else quote
        self._advance(len(delimiter))
        while not self.text.startswith(delimiter, self.position):
            self._advance(2 if quote == '"' and self._peek() == "\\" else 1)
        self._advance(len(delimiter))
        # A multi-line string may end in up to two quotes of its own before the delimiter.
        while len(delimiter) == 3 and self._peek() == quote:
            self._advance(1)


def _unquote(token: str) -> str:
    if token.startswith("'"):
        return token[1:-1]
    import tomllib  # noqa: PLC0415 - only a quoted key with escapes needs it

    return str(tomllib.loads(f"x = {token}")["x"])

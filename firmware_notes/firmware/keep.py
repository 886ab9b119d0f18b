"""Frames that nobody has taken yet: a ring of records in RAM that overflows into files.

Keeping starts with the first acknowledgement since power-on: a rig that nobody acknowledges just streams.
What was kept before a restart is thrown away: `seq` and `ms` start over, so nobody could place it in time.
"""

import os
from array import array

FREE, WAITING, SENT = 0, 1, 2  # states of a slot of the ring
FROM_FILE, GONE = -1, -2  # in place of a slot
WINDOW = 128  # frames in flight, not yet acknowledged; half of them only for live ones


class Keep:
    """Records still to be acknowledged."""

    def __init__(self, record_size, ram_bytes, folder, file_bytes):
        self.on = False
        self._size = record_size
        self._count = max(ram_bytes // (record_size + 1), WINDOW)
        self._data = memoryview(bytearray(record_size * self._count))
        self._state = bytearray(self._count)
        self._head = 0  # slot of the next record; forward from it, oldest first
        self._oldest = 0  # nothing is WAITING between the head and here
        self._waiting = 0
        # Records in flight, in the order in which they left.
        self._tags = array("I", bytes(4 * WINDOW))
        self._slots = array("i", bytes(4 * WINDOW))
        self._first = 0
        self._flying = 0
        self._files = Files(folder, record_size, file_bytes)

    def waiting(self):
        """Number of records still to be sent."""
        return self._waiting + self._files.waiting()

    def lost(self):
        """Number of records dropped for lack of room."""
        return self._files.lost

    def put(self, record):
        """Store a record; return its slot."""
        slot = self._head
        if self._state[slot] != FREE:
            self._evict(slot)
        self._record(slot)[:] = record
        if self.on:
            if not self._waiting:
                self._oldest = slot
            self._state[slot] = WAITING
            self._waiting += 1
        self._head = (slot + 1) % self._count
        return slot

    def _record(self, slot):
        return self._data[slot * self._size : (slot + 1) * self._size]

    def _evict(self, slot):
        """Move the ring's oldest record to a file to make room."""
        if self._state[slot] == WAITING:
            self._waiting -= 1
            if self._oldest == slot:
                self._oldest = (slot + 1) % self._count
        else:
            for i in range(WINDOW):
                if self._slots[i] == slot:
                    self._slots[i] = GONE
        self._state[slot] = FREE
        self._files.write(self._record(slot))

    def room(self, live):
        """Whether another record may be in flight."""
        return self._flying < (WINDOW if live else WINDOW // 2)

    def next(self):
        """Return (record, slot) of the oldest one that hasn't left, or None."""
        record = self._files.peek()
        if record:
            return record, FROM_FILE
        if not self._waiting:
            return None
        slot = self._oldest
        while self._state[slot] != WAITING:
            slot = (slot + 1) % self._count
        self._oldest = slot
        return self._record(slot), slot

    def sent(self, slot, tag):
        """Note that a record has left under this tag."""
        if slot == FROM_FILE:
            self._files.sent()
        elif self._state[slot] == WAITING:
            self._state[slot] = SENT
            self._waiting -= 1
        else:
            return
        last = (self._first + self._flying) % WINDOW
        self._tags[last] = tag
        self._slots[last] = slot
        self._flying += 1

    def acknowledged(self, tag):
        """Release the record that left under this tag, and all that left before it."""
        self.on = True
        for i in range(self._flying):
            if self._tags[(self._first + i) % WINDOW] == tag:
                break
        else:
            return
        for _ in range(i + 1):
            slot = self._slots[self._first]
            if slot == FROM_FILE:
                self._files.acknowledged()
            elif slot != GONE:
                self._state[slot] = FREE
            self._slots[self._first] = GONE
            self._first = (self._first + 1) % WINDOW
            self._flying -= 1

    def again(self):
        """Count everything in flight as not arrived: it will be sent again."""
        for i in range(self._flying):
            j = (self._first + i) % WINDOW
            if self._slots[j] >= 0:
                self._state[self._slots[j]] = WAITING
                self._waiting += 1
            self._slots[j] = GONE
        self._flying = 0
        self._oldest = self._head
        self._files.again()


class Files:
    """A queue of records in a folder's files: written to the last file, read from the first."""

    PER_FILE = 512  # records

    def __init__(self, folder, record_size, limit_bytes):
        self.lost = 0
        self._folder = folder
        self._size = record_size
        self._most = max(limit_bytes // (record_size * self.PER_FILE), 2)
        self._counts = []  # records in each file
        self._number = 0  # the first file's
        self._writer = None
        self._reader = None
        self._read = 0  # records of the first file that have left
        self._done = 0  # and those acknowledged
        self._void = 0  # acknowledgements still to come for records in files that had to go
        self._record = bytearray(record_size)
        if not folder or not self._clear():
            self._most = 0  # nowhere to write: the ring alone has to do

    def _clear(self):
        made = ""
        for part in self._folder.strip("/").split("/"):
            made += "/" + part
            try:
                os.mkdir(made)
            except OSError:
                pass  # it is there already, or the listing below fails
        try:
            for name in os.listdir(self._folder):
                os.remove("%s/%s" % (self._folder, name))
        except OSError:
            return False
        return True

    def _path(self, number):
        return "%s/%d" % (self._folder, number)

    def waiting(self):
        return sum(self._counts) - self._read

    def write(self, record):
        """Store a record, or count it as lost."""
        if not self._most:
            self.lost += 1
            return
        if self._writer is None or self._counts[-1] == self.PER_FILE:
            self._close_writer()
            while len(self._counts) >= self._most:
                self.lost += self._counts[0] - self._done
                self._drop_first()
        try:
            if self._writer is None:
                self._writer = open(self._path(self._number + len(self._counts)), "wb")
                self._counts.append(0)
            self._writer.write(record)
            self._counts[-1] += 1
        except OSError:  # the disk is full or broken
            self.lost += 1
            self._close_writer()

    def peek(self):
        """Return the oldest record that hasn't left; None if there is none, or all of the file has left."""
        if not self._counts:
            return None
        if len(self._counts) == 1:
            self._close_writer()  # what is written from now on goes to the next file
        if self._read == self._counts[0]:
            if self._done == self._read:  # an empty file, after a failed write
                self._drop_first()
            return None
        try:
            if self._reader is None:
                self._reader = open(self._path(self._number), "rb")
                self._reader.seek(self._done * self._size)
                self._read = self._done
            here = self._reader.tell()
            if self._reader.readinto(self._record) == self._size:
                self._reader.seek(here)
                return self._record
        except OSError:
            pass
        self.lost += self._counts[0] - self._done
        self._drop_first()
        return None

    def sent(self):
        self._read += 1
        self._reader.seek(self._read * self._size)

    def acknowledged(self):
        if self._void:
            self._void -= 1
            return
        self._done += 1
        if self._done == self._counts[0]:
            self._drop_first()

    def again(self):
        self._read = self._done
        self._void = 0
        self._close_reader()

    def _drop_first(self):
        self._close_reader()
        self._void += self._read - self._done
        if len(self._counts) == 1:
            self._close_writer()
        try:
            os.remove(self._path(self._number))
        except OSError:
            pass
        self._counts.pop(0)
        self._number += 1
        self._read = self._done = 0

    def _close_writer(self):
        if self._writer is not None:
            self._writer.close()
            self._writer = None

    def _close_reader(self):
        if self._reader is not None:
            self._reader.close()
            self._reader = None

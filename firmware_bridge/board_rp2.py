"""The hardware of an RP2040 or RP2350 board: pins, converter, timer, watchdog, line. All else runs without it.

Needs MicroPython with hard timer callbacks (`hard=` of machine.Timer on RP2: github.com/micropython/micropython,
pull request 17363; in releases from 1.26, from memory).
"""

import os
import select
import struct
import sys
import time

import board_settings as settings
import machine
import mcp3208
import micropython
from machine import Pin


def is_service_wanted():
    """Return whether the service input is tied to GND."""
    pin = Pin(settings.SERVICE_INPUT, Pin.IN, Pin.PULL_UP)
    time.sleep_ms(2)  # the pull-up fills the wire
    return pin.value() == 0


class UsbLine:
    """The USB serial port, which also was the console: no byte may mean 'interrupt' any more."""

    def __init__(self):
        micropython.kbd_intr(-1)
        self.input = sys.stdin.buffer
        self.output = sys.stdout.buffer
        self.byte = bytearray(1)
        self.poll = select.poll()
        self.poll.register(sys.stdin, select.POLLIN)

    def is_readable(self):
        for _ in self.poll.ipoll(0):
            return True
        return False

    def read_into(self, buffer):
        # Byte by byte: a longer read would wait until it is full.
        count = 0
        while count < len(buffer) and self.is_readable():
            self.input.readinto(self.byte)
            buffer[count] = self.byte[0]
            count += 1
        return count

    def write(self, view):
        # One packet: a host that is there but hardly reads holds up each packet for half a second (MicroPython,
        # shared/tinyusb/mp_usbd_cdc.c), and the watchdog must be fed in between.
        return self.output.write(view[:64])


class UartLine:
    """A serial line on two pins."""

    def __init__(self):
        self.uart = machine.UART(
            settings.UART_ID,
            baudrate=settings.UART_BAUD,
            tx=Pin(settings.UART_SEND),
            rx=Pin(settings.UART_RECEIVE),
            txbuf=2048,
            rxbuf=256,
            timeout=0,
        )

    def read_into(self, buffer):
        return self.uart.readinto(buffer) if self.uart.any() else 0

    def write(self, view):
        return self.uart.write(view)


class InternalConverter:
    """The microcontroller's own converter, for trying out only: its curve has steps near 512, 1536, 2560 and 3584.

    Source: erratum RP2040-E11 of the public data sheet, from memory.
    """

    def __init__(self, numbers):
        self.readers = tuple(machine.ADC(Pin(26 + number)).read_u16 for number in numbers)

    @micropython.native
    def read_row(self, words, at):
        readers = self.readers
        for k in range(len(readers)):
            # read_u16 repeats the upper bits below the 12 measured ones.
            words[at + k] = readers[k]() & 0xFFF0


class Rp2Board:
    """See `bridge` for what the names mean."""

    def __init__(self):
        self.board_id = machine.unique_id()
        self.inputs = settings.COLUMNS
        self.has_reference = settings.REFERENCE is not None
        self.adc_bits = 12
        self.is_internal_adc = 1 if settings.CONVERTER == "internal" else 0
        self.has_pulse_input = 0 if settings.PULSE_INPUT is None else 1
        self.pulses = 0
        self.ticks_us = time.ticks_us
        self.converter = self.make_converter()
        self.read_row = self.converter.read_row
        self.timer = machine.Timer(-1)
        if self.has_pulse_input:
            pin = Pin(settings.PULSE_INPUT, Pin.IN, Pin.PULL_UP)
            pin.irq(self.count_pulse, Pin.IRQ_RISING, hard=True)
        line = UartLine() if settings.LINE == "uart" else UsbLine()
        self.read_into = line.read_into
        self.write = line.write
        # Last: from here on only a fed watchdog keeps the board from a reset, whatever happens.
        self.watchdog = machine.WDT(timeout=settings.WATCHDOG_MS)
        self.feed = self.watchdog.feed

    def make_converter(self):
        numbers = self.inputs + ((settings.REFERENCE,) if self.has_reference else ())
        if self.is_internal_adc:
            return InternalConverter(numbers)
        spi = machine.SPI(
            settings.SPI_ID,
            baudrate=settings.SPI_HZ,
            polarity=0,
            phase=0,
            sck=Pin(settings.SPI_CLOCK),
            mosi=Pin(settings.SPI_TO_CONVERTER),
            miso=Pin(settings.SPI_FROM_CONVERTER),
        )
        selects = tuple(Pin(number, Pin.OUT, value=1) for number in settings.SPI_SELECTS)
        return mcp3208.Converters(spi.write_readinto, selects, numbers)

    @micropython.native
    def count_pulse(self, _pin):
        self.pulses = (self.pulses + 1) & 0xFFFF

    def random_u32(self):
        return struct.unpack("<I", os.urandom(4))[0]

    def start_timer(self, period_us, callback):
        # The type stubs don't know period and tick_hz together; the port does (ports/rp2/machine_timer.c), and it
        # aims each call at a period after the last one was due, not after it came.
        periodic = machine.Timer.PERIODIC
        self.timer.init(mode=periodic, period=period_us, tick_hz=1000000, callback=callback, hard=True)  # type: ignore

    def stop_timer(self):
        self.timer.deinit()

    def wait(self):
        """Return at once: the loop has nothing better to do than to look again."""

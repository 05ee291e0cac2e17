"""dutylog: accumulated duty of off-road dampers, measured on the vehicle and carried to the bench."""

__version__ = "0.1.0"
ENGINE = "1"
"""Version of everything that can change a number. Equal to the bit within one engine version."""

// The firmware is in main.c and guard.c beside this file, which is here so that the board's usual tools can open
// and flash the folder: choose an ATmega328P board at 16 MHz. The README one level up says how, and what to check.

/* What board.c and line.c share. For tests only; see board.h. */
#ifndef INSIDE_H
#define INSIDE_H

#include "board.h"

#include <simavr/sim_avr.h>

extern avr_t *avr;

uint64_t board_now(void);
void board_note(uint8_t kind, uint8_t a, uint8_t b, uint8_t c);

/* line.c */
void line_own(void);
void line_restart(void);
void line_counts(struct board_counts *counts);

#endif

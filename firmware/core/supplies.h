/* The supplies as a state machine: off, on with VCC, on with VCC and VPP (section 7). */
#ifndef SUPPLIES_H
#define SUPPLIES_H

#include "outcome.h"

/* Values as asked for with SUPPLY apply; 0 is off. */
uint16_t supplies_vcc_mv(void);
uint16_t supplies_vpp_mv(void);
bool supplies_energised(void);

/* What the user confirmed does not hold for another session (D26). */
void supplies_new_session(void);
/* May these be set? STATUS_OK, or why not. Changes nothing. */
uint8_t supplies_check(uint16_t vcc_mv, uint16_t vpp_mv);
void supplies_confirm(uint16_t vcc_mv, uint16_t vpp_mv);
bool supplies_unconfirmed(uint16_t vcc_mv, uint16_t vpp_mv);
/* VCC, then VPP; down the other way round. Takes all off again if something is out of tolerance. */
uint8_t supplies_apply(uint16_t vcc_mv, uint16_t vpp_mv, struct outcome *outcome);
/* D21: VPP, then VCC, then both discharged. Returns when they are. */
void supplies_off(void);
/* Appends VCC, VPP and ID voltage as measured. */
void supplies_measured(struct outcome *outcome);

#endif

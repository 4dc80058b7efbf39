/* The device: start it, then let it step for ever. */
#ifndef DEVICE_H
#define DEVICE_H

void device_start(void);
void device_step(void);

#endif

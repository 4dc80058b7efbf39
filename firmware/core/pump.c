#include "pump.h"

#include "answers.h"
#include "link.h"
#include "receive.h"

void pump_receive(void)
{
    hw_poll();
    while (receive_waiting()) {
        receive_few(UINT8_MAX);
    }
    link_watch();
}

void pump(void)
{
    pump_receive();
    answers_send(false);
}

void pump_in_pulse(void)
{
    pump_receive();
    answers_send(true);
}

bool pump_wait_ms(uint32_t milliseconds)
{
    uint32_t from = hw_now_ms();
    while (hw_now_ms() - from < milliseconds) {
        if (link_stopping()) {
            return false;
        }
        pump();
        hw_idle();
    }
    return true;
}

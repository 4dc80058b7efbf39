#include "device.h"

int main(void)
{
    device_start();
    for (;;) {
        device_step();
    }
}

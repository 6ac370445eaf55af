/* Marks 1, 2 and 3 with a known number of instructions in between, then waits. */
#include <avr/io.h>

int main(void)
{
    uint8_t one = 1, two = 2, three = 3;
    __asm__ volatile("out %[port], %[one]\n"
                     "nop\nnop\nnop\nnop\nnop\nnop\nnop\nnop\nnop\nnop\n"
                     "out %[port], %[two]\n"
                     "rjmp 1f\n"
                     "1: push r0\n"
                     "pop r0\n"
                     "rcall 2f\n"
                     "2: pop r0\n"
                     "pop r0\n"
                     "out %[port], %[three]\n"
                     : : [port] "I"(_SFR_IO_ADDR(GPIOR0)), [one] "r"(one), [two] "r"(two), [three] "r"(three) : "r0");
    for (;;)
        ;
}

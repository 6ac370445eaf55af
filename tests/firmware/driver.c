/*
 * Lets a test talk to the library: commands a line each on standard input, what the library did on standard
 * output, a "." after each command. Numbers are decimal, bytes hexadecimal, "-" stands for no bytes. The library
 * stands inside this file, so that a test can set the message counter and write any frame.
 */
#include <stdio.h>
#include <stdlib.h>

#include "bench_port.c"

#define LINE 65536

static bench_identity who;
static char texts[3][64];
static uint32_t clock_now;
static unsigned refusals;
static bool accepts = true;

static void show(const char *word, const uint8_t *bytes, unsigned count)
{
    unsigned i;
    printf("%s ", word);
    for (i = 0; i < count; i++) {
        printf("%02x", bytes[i]);
    }
    puts("");
}

static bool on_write(const uint8_t *frame, uint8_t count)
{
    if (refusals > 0) {
        refusals--;
        return false;
    }
    show("frame", frame, count);
    return true;
}

static uint32_t on_micros(void)
{
    return clock_now;
}

static void on_sticks(uint16_t set_number, const uint16_t *pulses_us, uint8_t count)
{
    unsigned i;
    printf("sticks %u", (unsigned)set_number);
    for (i = 0; i < count; i++) {
        printf(" %u", (unsigned)pulses_us[i]);
    }
    puts("");
}

static void on_describe(bench_identity *me)
{
    *me = who;
    me->firmware = texts[0];
    me->version = texts[1];
    me->serial = texts[2];
}

static bool on_setting(uint8_t setting, int32_t value)
{
    printf("setting %u %ld\n", (unsigned)setting, (long)value);
    return accepts;
}

static bench_hooks hooks = {on_write, on_micros, on_sticks, on_describe, on_setting};

/* A copy of its own on the heap, exactly as long as it is: an address sanitizer then sees every step too far. */
static uint8_t *bytes_of(const char *digits, unsigned *count)
{
    unsigned size = digits[0] == '-' ? 0 : (unsigned)strlen(digits) / 2;
    uint8_t *bytes = (uint8_t *)malloc(size > 0 ? size : 1);
    unsigned i;
    for (i = 0; i < size; i++) {
        unsigned value = 0;
        if (sscanf(digits + 2 * i, "%2x", &value) != 1) {
            abort();
        }
        bytes[i] = (uint8_t)value;
    }
    *count = size;
    return bytes;
}

static char *word(void)
{
    char *found = strtok(NULL, " \n");
    if (found == NULL) {
        abort();
    }
    return found;
}

static uint32_t number(void)
{
    return (uint32_t)strtoll(word(), NULL, 10);
}

static void text(unsigned which)
{
    unsigned count;
    uint8_t *bytes = bytes_of(word(), &count);
    memcpy(texts[which], bytes, count);
    texts[which][count] = 0;
    free(bytes);
}

static void describe_as(void)
{
    who.role = (uint8_t)number();
    who.channels = (uint8_t)number();
    who.packet_rate_mhz = number();
    who.abilities = (uint16_t)number();
    who.disturbances = (uint8_t)number();
    text(0);
    text(1);
    text(2);
}

static void outcome(bool sent)
{
    puts(sent ? "sent" : "lost");
}

static void report_sent(void)
{
    uint16_t packet = (uint16_t)number();
    uint16_t set_number = (uint16_t)number();
    uint32_t at_us = number();
    uint32_t took_us = number();
    uint8_t attempts = (uint8_t)number();
    outcome(bench_sent(packet, set_number, at_us, took_us, attempts, (uint8_t)number()));
}

/* The reports with a list: numbers first, then the list as bytes. */
static void report_list(const char *kind)
{
    uint16_t packet = (uint16_t)number();
    uint32_t at_us = number();
    int extra = (int)number();
    unsigned size;
    uint8_t *bytes = bytes_of(word(), &size);
    const void *list = bytes;
    if (strcmp(kind, "telemetry") == 0) {
        outcome(bench_telemetry(packet, at_us, bytes, (uint8_t)size));
    } else if (strcmp(kind, "applied") == 0) {
        outcome(bench_applied(packet, at_us, (int8_t)extra, (const uint16_t *)list, (uint8_t)(size / 2)));
    } else if (strcmp(kind, "output_change") == 0) {
        outcome(bench_output_change(at_us, (uint8_t)extra, (const uint16_t *)list, (uint8_t)(size / 2)));
    } else {
        outcome(bench_pulses(at_us, (const bench_pulse *)list, (uint8_t)(size / 4)));
    }
    free(bytes);
}

static void report_counters(void)
{
    bench_totals totals;
    totals.packets = number();
    totals.duplicates = number();
    totals.bad_packets = number();
    totals.restarts = (uint16_t)number();
    totals.free_memory = (uint16_t)number();
    outcome(bench_counters(&totals));
}

static void receive(void)
{
    unsigned count;
    uint8_t *bytes = bytes_of(word(), &count);
    bench_received(bytes, (uint16_t)count);
    free(bytes);
}

static void any_frame(void)
{
    uint8_t frame[FRAME(120)];
    uint8_t type = (uint8_t)number();
    unsigned count;
    uint8_t *bytes = bytes_of(word(), &count);
    memcpy(frame + PAYLOAD, bytes, count);
    free(bytes);
    outcome(send(frame, type, (uint8_t)count));
}

static void state(void)
{
    uint8_t field;
    const bench_start *start = bench_restart_at();
    printf("state %d %d %d %d %u %u", bench_overridden(), bench_silent(), bench_muted(), bench_restart_wanted(),
           (unsigned)bench_dropped(), (unsigned)bench_bad_frames());
    printf(" %d %u %lu %u %d", bench_deaf(), (unsigned)bench_disturbance(),
           start != NULL ? (unsigned long)start->clock_us : 0UL, start != NULL ? (unsigned)start->packet : 0U,
           start != NULL);
    for (field = 0; field < BENCH_FIELDS; field++) {
        int32_t raw = 0;
        if (bench_injected(field, &raw)) {
            printf(" %u:%ld", (unsigned)field, (long)raw);
        }
    }
    puts("");
}

static void obey_line(const char *command)
{
    if (strcmp(command, "describe") == 0) {
        describe_as();
    } else if (strcmp(command, "at") == 0) {
        clock_now = number();
    } else if (strcmp(command, "begin") == 0) {
        bench_begin(&hooks, (uint8_t)number());
    } else if (strcmp(command, "receive") == 0) {
        receive();
    } else if (strcmp(command, "loop") == 0) {
        bench_loop();
    } else if (strcmp(command, "state") == 0) {
        state();
    } else if (strcmp(command, "burst") == 0) {
        puts(bench_burst_due() ? "due" : "idle");
    } else if (strcmp(command, "silent") == 0) {
        puts(bench_silent() ? "silent" : "open");
    } else if (strcmp(command, "muted") == 0) {
        puts(bench_muted() ? "muted" : "open");
    } else if (strcmp(command, "deaf") == 0) {
        puts(bench_deaf() ? "deaf" : "open");
    } else if (strcmp(command, "disturbance") == 0) {
        printf("%u\n", (unsigned)bench_disturbance());
    } else if (strcmp(command, "disturbed") == 0) {
        bench_disturbed(number() != 0);
    } else if (strcmp(command, "refuse") == 0) {
        refusals = number();
    } else if (strcmp(command, "accept") == 0) {
        accepts = number() != 0;
    } else if (strcmp(command, "hooks") == 0) {
        hooks.sticks = number() != 0 ? on_sticks : NULL;
        hooks.setting = number() != 0 ? on_setting : NULL;
    } else if (strcmp(command, "number") == 0) {
        self.number = (uint16_t)number();
    } else if (strcmp(command, "tally") == 0) {
        self.dropped = (uint16_t)number();
        self.bad_frames = (uint16_t)number();
    } else if (strcmp(command, "any") == 0) {
        any_frame();
    } else if (strcmp(command, "sent") == 0) {
        report_sent();
    } else if (strcmp(command, "counters") == 0) {
        report_counters();
    } else {
        report_list(command);
    }
}

int main(void)
{
    static char line[LINE];
    while (fgets(line, LINE, stdin) != NULL) {
        obey_line(strtok(line, " \n"));
        puts(".");
        fflush(stdout);
    }
    return 0;
}

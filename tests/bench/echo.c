/* The floor for a round trip over a pseudo-terminal: an echo, and a client that does what the serial bench does.
 *
 *   echo FD                        give back what comes in on the open descriptor FD, until it hangs up
 *   echo PATH COUNT SIZE PAUSE_US  send SIZE bytes to the terminal PATH COUNT times, PAUSE_US apart, and print
 *                                  for each the time from before the write to after the last read, in ns
 */
#define _GNU_SOURCE
#include <fcntl.h>
#include <poll.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <termios.h>
#include <time.h>
#include <unistd.h>

enum { BUFFER = 4096 };

static long long now_ns(void)
{
    struct timespec t;
    clock_gettime(CLOCK_MONOTONIC, &t);
    return t.tv_sec * 1000000000LL + t.tv_nsec;
}

static int wait_and_read(int fd, char *buffer)
{
    struct pollfd ready = { .fd = fd, .events = POLLIN };
    if (poll(&ready, 1, -1) < 0)
        return -1;
    return (int)read(fd, buffer, BUFFER);
}

static int echo(int fd)
{
    char buffer[BUFFER];
    int count;
    while ((count = wait_and_read(fd, buffer)) > 0)
        if (write(fd, buffer, count) != count)
            return 1;
    return 0;
}

static long long round_trip(int fd, const char *data, int size)
{
    char buffer[BUFFER];
    long long start = now_ns(), end = start;
    if (write(fd, data, size) != size)
        exit(1);
    for (int got = 0; got < size;) {
        int count = wait_and_read(fd, buffer);
        end = now_ns();
        if (count <= 0)
            exit(1);
        got += count;
    }
    return end - start;
}

static int client(const char *path, int count, int size, int pause_us)
{
    char data[BUFFER];
    struct termios raw;
    int fd = open(path, O_RDWR | O_NOCTTY | O_NONBLOCK);
    if (fd < 0 || size > BUFFER || tcgetattr(fd, &raw) < 0)
        return 1;
    cfmakeraw(&raw);
    tcsetattr(fd, TCSANOW, &raw);
    memset(data, 0x55, sizeof data);
    for (int n = 0; n < count; n++) {
        printf("%lld\n", round_trip(fd, data, size));
        if (pause_us)
            usleep(pause_us);
    }
    return 0;
}

int main(int argc, char **argv)
{
    if (argc == 2)
        return echo(atoi(argv[1]));
    if (argc == 5)
        return client(argv[1], atoi(argv[2]), atoi(argv[3]), atoi(argv[4]));
    return 2;
}

/* Reads simulated controllers by libmodbus at a given pace, a thread and a connection each, and prints what it cost.
 *
 * Usage: peer_poll PORT CONNECTIONS REGISTERS PERIOD_MS
 * For each line "READS WARM_UP_MS ROUND_MS" on standard input it reads READS blocks a period and connection, and answers
 * "READS_DONE CPU_NS" for the round after the warm-up. */

#include <modbus/modbus.h>
#include <pthread.h>
#include <stdatomic.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static int port, connections, registers, reads;
static long period_ns;
static atomic_long done;
static atomic_bool over;
static struct timespec begun;

static struct timespec later(struct timespec from, long ns) {
    from.tv_nsec += ns % 1000000000;
    from.tv_sec += ns / 1000000000 + from.tv_nsec / 1000000000;
    from.tv_nsec %= 1000000000;
    return from;
}

static void *poll(void *index) {
    modbus_t *peer = modbus_new_tcp("127.0.0.1", port);
    if (peer == NULL || modbus_set_slave(peer, 1) == -1 || modbus_connect(peer) == -1) exit(1);
    struct timespec due = later(begun, period_ns * (long)index / connections);
    uint16_t words[MODBUS_MAX_READ_REGISTERS];
    while (!over) {
        clock_nanosleep(CLOCK_MONOTONIC, TIMER_ABSTIME, &due, NULL);
        for (int read = 0; read < reads; read++) {
            if (modbus_read_registers(peer, read * registers, registers, words) != registers) exit(1);
            done++;
        }
        due = later(due, period_ns);
    }
    modbus_close(peer);
    modbus_free(peer);
    return NULL;
}

static long cpu_ns(void) {
    struct timespec used;
    clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &used);
    return used.tv_sec * 1000000000L + used.tv_nsec;
}

static void rest(long ms) {
    struct timespec span = {ms / 1000, ms % 1000 * 1000000};
    nanosleep(&span, NULL);
}

int main(int count_of_arguments, char **arguments) {
    if (count_of_arguments != 5) return 2;
    port = atoi(arguments[1]), connections = atoi(arguments[2]), registers = atoi(arguments[3]);
    period_ns = atol(arguments[4]) * 1000000;
    long warm_up_ms, round_ms;
    pthread_t threads[64];
    if (connections < 1 || connections > 64 || registers > MODBUS_MAX_READ_REGISTERS) return 2;
    while (scanf("%d %ld %ld", &reads, &warm_up_ms, &round_ms) == 3) {
        over = 0;
        clock_gettime(CLOCK_MONOTONIC, &begun);
        for (long index = 0; index < connections; index++) pthread_create(&threads[index], NULL, poll, (void *)index);
        rest(warm_up_ms);
        long before = done, cpu_before = cpu_ns();
        rest(round_ms);
        printf("%ld %ld\n", done - before, cpu_ns() - cpu_before);
        fflush(stdout);
        over = 1;
        for (int index = 0; index < connections; index++) pthread_join(threads[index], NULL);
    }
    return 0;
}

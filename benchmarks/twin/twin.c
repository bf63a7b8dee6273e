/* thenar's model of one trial, written by hand in C as a yardstick of speed: twin IN OUT REPEATS.
 * Reads a trial that benchmarks/c_twin.py laid, runs it REPEATS times from the same start, prints the shortest time in
 * ns (no reading, no writing) and writes the last run's trace and pulses. Simulator only, no medical device. */
#define _POSIX_C_SOURCE 199309L
#include <stdio.h>
#include <stdlib.h>
#include <time.h>
#include "loop.h"

static const num *at, *end; /* what is left of the file, in words of 8 bytes */

static void refuse(const char *why) {
    fprintf(stderr, "twin: %s\n", why);
    exit(2);
}

/* The next section: a length in words, then as many words. `size` in bytes, or 0 for a list of items of `each`. */
static const void *section(size_t size, size_t each, num *many) {
    const num *body = at + 1;
    if (at >= end || *at < 0 || *at > end - body) refuse("the file is cut short");
    if (size ? (size_t)*at * 8 != size : (size_t)*at * 8 % each != 0) refuse("a section of another length");
    if (many) *many = (num)((size_t)*at * 8 / each);
    at = body + *at;
    return body;
}

#define ONE(member) (tr->member = section(sizeof *tr->member, 0, NULL))
#define LIST(member, count) (tr->member = section(0, sizeof *tr->member, (count)))

static void trial_read(trial *tr, const char *name) {
    FILE *file = fopen(name, "rb");
    long size;
    num *words, ticks, samples[5], recorded, law;
    const void *law_params;
    if (!file || fseek(file, 0, SEEK_END) || (size = ftell(file)) < 0 || fseek(file, 0, SEEK_SET)) refuse("no file");
    words = malloc((size_t)size);
    if (!words || fread(words, 1, (size_t)size, file) != (size_t)size) refuse("the file can't be read");
    fclose(file);
    at = words;
    end = words + size / 8;
    ONE(plan), ONE(body), ONE(rested);
    tr->channel = section(2 * sizeof *tr->channel, 0, NULL);
    ONE(wearer), ONE(naive), ONE(delays), LIST(draws, &ticks), LIST(handling_N, &recorded);
    if (ticks != tr->plan->ticks || recorded != ticks) refuse("another number of wearer ticks");
    LIST(recorded_N, &recorded);
    if (recorded == 0) tr->recorded_N = NULL;
    else if (recorded != ticks) refuse("another number of recorded forces");
    ONE(estimator), ONE(bias);
    LIST(sampled_us, &tr->many_samples), LIST(arrives_us, &samples[0]), LIST(mode, &samples[1]);
    LIST(offset_N, &samples[2]), LIST(gain, &samples[3]), LIST(unit_noise, &samples[4]);
    for (int i = 0; i < 5; i++) if (samples[i] != tr->many_samples) refuse("another number of samples");
    LIST(heard, &tr->many_heard), LIST(arriving, &tr->many_arriving);
    ONE(limits), ONE(power_on);
    law_params = section(0, 8, &law);
    tr->proportional = law_params;
    tr->bang_bang = law_params;
    if (law * 8 != (tr->plan->law == PROPORTIONAL ? (num)sizeof *tr->proportional
                    : tr->plan->law == BANG_BANG  ? (num)sizeof *tr->bang_bang : 0)) refuse("another law");
    LIST(target_us, &tr->many_targets), LIST(target_N, &recorded), LIST(faults, &tr->many_faults);
    if (recorded != tr->many_targets || at != end) refuse("the file is too long");
}

static void *room_for(num many, size_t each) {
    void *room = calloc((size_t)(many > 0 ? many : 1), each);
    if (!room) refuse("out of memory");
    return room;
}

static void written(const record *out, const trial *tr, const char *name) {
    FILE *file = fopen(name, "wb");
    const num rows = tr->plan->rows, head[3] = {rows, out->many_pulses, out->many_decisions};
    if (!file || fwrite(head, sizeof head, 1, file) != 1 || fwrite(out->counts, sizeof out->counts, 1, file) != 1 ||
        fwrite(out->floats, sizeof *out->floats, (size_t)rows, file) != (size_t)rows ||
        fwrite(out->integers, sizeof *out->integers, (size_t)rows, file) != (size_t)rows ||
        fwrite(out->pulses, sizeof *out->pulses, (size_t)head[1], file) != (size_t)head[1] ||
        fwrite(out->decisions, sizeof *out->decisions, (size_t)head[2], file) != (size_t)head[2] || fclose(file))
        refuse("the results can't be written");
}

int main(int argc, char **argv) {
    static trial tr;
    static desk d;
    static record out;
    double best_ns = INFINITY;
    const long repeats = argc == 4 ? strtol(argv[3], NULL, 10) : 0;
    if (repeats < 1) return fprintf(stderr, "usage: twin IN OUT REPEATS\n"), 2;
    trial_read(&tr, argv[1]);
    d.history = room_for(tr.plan->ticks, sizeof *d.history);
    d.readings = room_for(tr.many_samples, sizeof *d.readings);
    out.floats = room_for(tr.plan->rows, sizeof *out.floats);
    out.integers = room_for(tr.plan->rows, sizeof *out.integers);
    out.pulses = room_for(tr.plan->most_pulses, sizeof *out.pulses);
    out.decisions = room_for(tr.plan->most_decisions, sizeof *out.decisions);
    for (long i = 0; i < repeats; i++) {
        struct timespec from, to;
        clock_gettime(CLOCK_MONOTONIC, &from);
        trial_run(&d, &tr, &out);
        clock_gettime(CLOCK_MONOTONIC, &to);
        best_ns = lesser(best_ns, 1e9 * (double)(to.tv_sec - from.tv_sec) + (double)(to.tv_nsec - from.tv_nsec));
    }
    written(&out, &tr, argv[2]);
    printf("%.0f\n", best_ns);
    return 0;
}

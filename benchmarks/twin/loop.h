/* The next-event loop. What falls on one microsecond runs in the order of shared/ticks.py (Phase): target, faults,
 * wearer, sample, arrival, strikes, control, pulses, trace. The body is advanced to an instant when the event needs it.
 * Each decision of the interlock leaves a row, as thenar's log does; the list of events isn't kept. */
#ifndef TWIN_LOOP_H
#define TWIN_LOOP_H
#include <string.h>
#include "trial.h"

#define NOT_YET (-1000000000000000LL)
#define FOREVER INT64_MAX
#define OHM_KNOWN_FOR_US 1000000
#define NO_TARGET_N (-1.0)

enum { TARGET, FAULTS, WEARER, SAMPLE, ARRIVAL, STRIKE, CONTROL = STRIKE + 2, PULSE, TRACE = PULSE + 2, STREAMS };

typedef struct {
    num next[STREAMS]; /* when each kind of event comes next, us */
    num target, fault, tick, sample, arrival, row;
    num body_us, felt_us[2], sampled_us, estimates, reasons, net_pC[2], cut_short[2];
    double felt[2], contact[2], missing[2], ohm[2], target_N, estimate_N, stated_sd_N, reading_N;
    stimulus demand[2]; /* as the interlock read it, for the trace */
    push push;
    body_state body;
    wearer_state wearer;
    bang_bang_memory bang_bang;
    memory memory;
    admitted admitted;
    num stalled, rearm;
    num mark; /* of the limits, for the log: nothing writes them while a trial runs */
    struct { flying row[FLIGHT]; num first, after; } flight[2];
    past *history;     /* one per wearer tick */
    reading *readings; /* one per sample */
} desk;

static inline void body_to(desk *d, const trial *tr, num t) {
    const num gap_us = t - d->body_us;
    if (gap_us <= 0) return;
    body_advanced(tr->body, &d->body, &d->push, gap_us);
    d->body_us = t;
}

static inline void note(desk *d, record *out, num mask) {
    d->reasons |= mask;
    for (; mask > 0; mask &= mask - 1) out->counts[1 + __builtin_ctzll((unsigned long long)mask)]++;
}

/* The mark of all limits: total = total * 5 + value, begun at 1, its low 61 bits; in fours, to keep multipliers busy. */
static inline num limits_mark(const limits *l) {
    const uint64_t *value = (const uint64_t *)l;
    const size_t many = sizeof *l / sizeof *value;
    uint64_t total = 1;
    size_t i = 0;
    for (; i < many % 4; i++) total = total * 5 + value[i];
    for (; i < many; i += 4)
        total = total * 625 + (value[i] * 125 + value[i + 1] * 25 + (value[i + 2] * 5 + value[i + 3]));
    return (num)(total & ((1ULL << 61) - 1));
}

static inline void decision_logged(desk *d, record *out, const decision *made) {
    decision *row = &out->decisions[out->many_decisions++];
    *row = *made;
    row->mark = d->mark;
    row->state = d->memory.state;
    row->trip = d->memory.trip;
    row->trip_us = d->memory.trip_us;
}

static inline void target_changes(desk *d, const trial *tr) {
    d->target_N = tr->target_N[d->target++];
    d->next[TARGET] = d->target < tr->many_targets ? tr->target_us[d->target] : FOREVER;
}

static inline void fault_happens(desk *d, const trial *tr, record *out, num t) {
    const fault *f = &tr->faults[d->fault++];
    d->next[FAULTS] = d->fault < tr->many_faults ? tr->faults[d->fault].t_us : FOREVER;
    if (f->kind == LIFT) d->contact[f->place] = f->value;
    else if (f->kind == MISSING) d->missing[f->place] = f->value;
    else if (f->kind == STALL) d->stalled = f->place;
    else if (f->kind == REARM) d->rearm = f->place;
    else if (tr->plan->law != NO_LAW) {
        const decision stop = {.kind = 1, .t_us = t, .senses.stop = 1, .admitted[0] = t, .reasons = 1LL << 32};
        interlock_halt(&d->memory, &d->admitted, t);
        decision_logged(d, out, &stop);
    }
}

static inline void wearer_ticks(desk *d, const trial *tr, num t) {
    const num tick = d->tick++;
    const num seen = tick - tr->delays->visual, sensed = tick - tr->delays->tactile, moved = tick - tr->delays->motor;
    past *now = &d->history[tick];
    wearer_sensed in;
    body_to(d, tr, t);
    now->target_N = d->target_N;
    now->force_N = d->body.force_N;
    for (int c = 0; c < 2; c++) now->felt[c] = t - d->felt_us[c] <= tr->delays->hold_us ? d->felt[c] : 0.0;
    in.target_N = seen < 0 ? NO_TARGET_N : d->history[seen].target_N;
    in.own_force_N = seen < 0 ? 0.0 : d->history[seen].force_N;
    for (int c = 0; c < 2; c++) in.felt[c] = sensed < 0 ? 0.0 : d->history[sensed].felt[c];
    in.recorded_N = tr->recorded_N ? tr->recorded_N[tick] : 0.0;
    wearer_effort(tr->wearer, &d->wearer, &in, &tr->draws[tick], &now->drive, &d->push.noise);
    d->push.drive = moved < 0 ? 0.0 : d->history[moved].drive;
    if (tr->wearer->played_back > 0.0) d->push.drive = now->drive;
    d->push.handling_N = tr->handling_N[tick];
    d->next[WEARER] = d->tick < tr->plan->ticks ? t + tr->plan->wearer_us : FOREVER;
}

static inline void sample_taken(desk *d, const trial *tr, num t) {
    const num i = tr->heard[d->sample++];
    body_to(d, tr, t);
    if (tr->mode[i] != STUCK)
        d->reading_N = reading_N(tr->estimator, tr->bias, d->body.force_N, tr->offset_N[i], tr->gain[i],
                                 tr->unit_noise[i]);
    d->readings[i].estimate_N = d->reading_N;
    d->readings[i].stated_sd_N = tr->estimator->stated_over_true_sd *
                                 (tr->estimator->noise_floor_N + tr->estimator->noise_share * d->reading_N);
    d->next[SAMPLE] = d->sample < tr->many_heard ? tr->sampled_us[tr->heard[d->sample]] : FOREVER;
}

static inline void estimate_arrives(desk *d, const trial *tr) {
    const num i = tr->arriving[d->arrival++];
    d->next[ARRIVAL] = d->arrival < tr->many_arriving ? tr->arrives_us[tr->arriving[d->arrival]] : FOREVER;
    if (tr->sampled_us[i] <= d->sampled_us) return; /* overtaken by a newer one */
    d->sampled_us = tr->sampled_us[i];
    d->estimate_N = d->readings[i].estimate_N;
    d->stated_sd_N = d->readings[i].stated_sd_N;
    d->estimates++;
}

static inline void pulse_strikes(desk *d, const trial *tr, int c, num t) {
    const flying *now = &d->flight[c].row[d->flight[c].first++ % FLIGHT];
    body_to(d, tr, t);
    muscle_struck(&tr->body->muscle[c], &d->body.muscle[c], now->share);
    d->next[STRIKE + c] =
        d->flight[c].first < d->flight[c].after ? d->flight[c].row[d->flight[c].first % FLIGHT].t_us : FOREVER;
}

static inline senses sensed_by(desk *d, const trial *tr, num t, num law_fault) {
    senses s;
    const int known = !isnan(d->estimate_N);
    s.mN = known ? whole_mN(d->estimate_N) : 0;
    s.known = known;
    s.age_us = d->estimates > 0 ? t - d->sampled_us : -1;
    s.count = d->estimates;
    s.law = law_fault;
    s.stop = 0;
    s.arm = t >= tr->plan->arm_us;
    s.cause = d->rearm;
    for (int c = 0; c < 2; c++) {
        s.contact[c].ohm = t - d->felt_us[c] <= OHM_KNOWN_FOR_US ? (num)d->ohm[c] : -1;
        s.contact[c].per_mille = -1;
        s.balance[c].net_pC = d->net_pC[c];
        s.balance[c].cut_short = d->cut_short[c];
        d->net_pC[c] = d->cut_short[c] = 0;
    }
    d->rearm = 0;
    return s;
}

/* Ask the law unless it is stalled or the loop is latched, then hand its answer to the interlock. */
static inline void control_ticks(desk *d, const trial *tr, record *out, num t) {
    stimulus wish[2] = {REST, REST};
    decision made = {.t_us = t, .broken = d->memory.busy > 0};
    senses s;
    asked a;
    if (!d->stalled && !d->memory.trip) {
        if (tr->plan->law == PROPORTIONAL) proportional(tr->proportional, d->target_N, d->estimate_N, wish);
        else bang_bang(tr->bang_bang, &d->bang_bang, t, d->target_N, d->estimate_N, wish);
    }
    a = at_edge(wish);
    s = sensed_by(d, tr, t, d->stalled ? 2 : 0);
    for (int c = 0; c < 2; c++) {
        const int answered = s.law == 0 && a.fault == 0;
        d->demand[c].current_mA = answered ? (double)a.of[c].current_uA / 1e3 : NAN;
        d->demand[c].width_us = answered ? (double)a.of[c].width_us : NAN;
    }
    made.reasons = interlock_tick(tr->limits, &d->memory, &d->admitted, &a, &s, t);
    made.asked = a;
    made.senses = s;
    memcpy(made.admitted, &d->admitted.expires_us, sizeof made.admitted);
    decision_logged(d, out, &made);
    note(d, out, made.reasons);
    for (int c = 0; c < 2; c++) {
        const num due_us = interlock_next(tr->limits, &d->memory, &d->admitted, c, t);
        d->next[PULSE + c] = due_us < 0 ? FOREVER : due_us;
    }
    d->next[CONTROL] = t + tr->plan->control_us;
}

static inline void pulse_leaves(desk *d, const trial *tr, record *out, int c, const pulse *p, num t) {
    const channel_params *k = &tr->channel[c];
    const double width_us = (double)p->width_us, contact = d->contact[c];
    const num short_us = (num)(d->missing[c] * width_us);
    const double flowing_mA = delivered_mA(&k->pad, (double)p->current_uA / 1e3, width_us, contact);
    const double share = recruited_share(&k->axons, flowing_mA, width_us);
    const pulse_row row = {t, c, p->current_uA, p->width_us, p->gap_us, p->width_us - short_us};
    out->pulses[out->many_pulses++] = row;
    d->net_pC[c] += p->current_uA * short_us;
    if (d->missing[c] >= 1.0) d->cut_short[c] = 1;
    d->felt[c] = felt_share(&k->axons, flowing_mA, width_us);
    d->felt_us[c] = t;
    d->ohm[c] = lesser(HIGHEST_OHM, load_ohm(&k->pad, READ_WIDTH_US, contact));
    if (share > 0.0) {
        const flying under_way = {t + tr->plan->delay_us[c], share};
        if (d->flight[c].first == d->flight[c].after) d->next[STRIKE + c] = under_way.t_us;
        d->flight[c].row[d->flight[c].after++ % FLIGHT] = under_way;
    }
}

static inline void pulse_due(desk *d, const trial *tr, record *out, int c, num t) {
    pulse p;
    num due_us;
    note(d, out, interlock_gate_of_fixed(tr->limits, &d->memory, &d->admitted, c, t, &p));
    due_us = interlock_next(tr->limits, &d->memory, &d->admitted, c, t);
    d->next[PULSE + c] = due_us < 0 ? FOREVER : due_us;
    if (p.current_uA > 0) pulse_leaves(d, tr, out, c, &p, t);
}

static inline void row_written(desk *d, const trial *tr, record *out, num t) {
    const push rest = {0.0, 0.0, 0.0};
    const admitted *a = &d->admitted;
    const int valid = a->admitted_us <= t && t < a->expires_us;
    double *f = out->floats[d->row].value;
    trace_integers *n = &out->integers[d->row++];
    body_to(d, tr, t);
    f[0] = d->target_N;
    f[1] = d->body.force_N;
    f[2] = d->estimate_N;
    f[3] = pressed_N(&tr->body->hand, d->body.voluntary.active, &rest, 0.0, 0.0);
    f[4] = lesser(tr->body->hand.max_pinch_N, d->body.muscle[0].force_N);
    f[5] = tr->body->hand.lever_ratio * d->body.muscle[1].force_N;
    for (int c = 0; c < 2; c++) {
        f[6 + 2 * c] = d->demand[c].current_mA;
        f[7 + 2 * c] = d->demand[c].width_us;
        f[10 + 2 * c] = valid ? (double)a->of[c].current_uA / 1e3 : 0.0;
        f[11 + 2 * c] = valid ? (double)a->of[c].width_us : 0.0;
        f[14 + c] = d->body.muscle[c].A / tr->body->muscle[c].A_rest;
    }
    n->t_us = t;
    n->estimate_age_us = d->estimates > 0 ? t - d->sampled_us : -1;
    n->reasons = d->reasons;
    n->trip = d->memory.trip;
    d->reasons = 0;
    d->next[TRACE] = d->row < tr->plan->rows ? t + tr->plan->trace_us : FOREVER;
}

/* Everything as it was before the trial; the two long arrays of the desk are written before they are read. */
static inline void desk_laid(desk *d, const trial *tr, record *out) {
    past *history = d->history;
    reading *readings = d->readings;
    memset(d, 0, sizeof *d);
    d->history = history;
    d->readings = readings;
    d->body = *tr->rested;
    d->wearer = *tr->naive;
    d->memory = *tr->power_on;
    d->mark = limits_mark(tr->limits);
    d->sampled_us = NOT_YET;
    d->estimate_N = d->stated_sd_N = NAN;
    for (int c = 0; c < 2; c++) {
        d->felt_us[c] = NOT_YET;
        d->contact[c] = 1.0;
        d->ohm[c] = -1.0;
    }
    for (int i = 0; i < STREAMS; i++) d->next[i] = FOREVER;
    if (tr->many_targets) d->next[TARGET] = tr->target_us[0];
    if (tr->many_faults) d->next[FAULTS] = tr->faults[0].t_us;
    if (tr->many_heard) d->next[SAMPLE] = tr->sampled_us[tr->heard[0]];
    if (tr->many_arriving) d->next[ARRIVAL] = tr->arrives_us[tr->arriving[0]];
    if (tr->plan->law != NO_LAW) d->next[CONTROL] = 0;
    d->next[WEARER] = d->next[TRACE] = 0;
    out->many_pulses = out->many_decisions = 0;
    memset(out->counts, 0, sizeof out->counts);
}

static inline num earliest(const num *next) {
    num t = next[0];
    for (int i = 1; i < STREAMS; i++) t = next[i] < t ? next[i] : t;
    return t;
}

static void trial_run(desk *d, const trial *tr, record *out) {
    const num end_us = tr->plan->duration_us;
    const num *next = d->next;
    num t;
    desk_laid(d, tr, out);
    while ((t = earliest(next)) <= end_us) {
        while (next[TARGET] == t) target_changes(d, tr);
        while (next[FAULTS] == t) fault_happens(d, tr, out, t);
        if (next[WEARER] == t) wearer_ticks(d, tr, t);
        while (next[SAMPLE] == t) sample_taken(d, tr, t);
        while (next[ARRIVAL] == t) estimate_arrives(d, tr);
        for (int c = 0; c < 2; c++) while (next[STRIKE + c] == t) pulse_strikes(d, tr, c, t);
        if (next[CONTROL] == t) control_ticks(d, tr, out, t);
        for (int c = 0; c < 2; c++) {
            if (next[PULSE + c] == t) pulse_due(d, tr, out, c, t);
            while (next[STRIKE + c] == t) pulse_strikes(d, tr, c, t); /* with no delay it strikes at once */
        }
        if (next[TRACE] == t) row_written(d, tr, out, t);
    }
}
#endif

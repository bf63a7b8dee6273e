/* The interlock's rules in plain C. -DFAULT=n builds in one wrong edit, to prove that the vectors notice it:
 * the test beside this file names them. */
#include "interlock.h"
#include <string.h>
#ifndef FAULT
#define FAULT 0
#endif
#define R(n) (1LL << ((n) - 1))
#define MAX_TIME 1000000000000000LL

static num least(num a, num b) { return a < b ? a : b; }
static num most(num a, num b) { return a > b ? a : b; }
static num clip(num v, num low, num high) { return v < low ? low : v > high ? high : v; }
static num size_of(num v) { return v < 0 ? -v : v; }
/* Division toward minus infinity; the divisor is positive. */
static num floor_div(num a, num b) { return a / b - (a % b < 0); }
static num ceil_div(num a, num b) { return -floor_div(-a, b); }

static num root(num v) {
    num low = 0, high = 3037000499LL;
    if (v < 1) return 0;
    while (low < high) {
        num middle = low + (high - low + 1) / 2;
        if (middle <= v / middle) low = middle; else high = middle - 1;
    }
    return low;
}

static num mark_of(const limits *l) {
    num v[sizeof *l / sizeof(num)];
    uint64_t total = 1;
    memcpy(v, l, sizeof v);
    for (size_t i = 0; i < sizeof v / sizeof *v; i++) total = (total * 5 + (uint64_t)v[i]) & ((1ULL << 61) - 1);
    return (num)total;
}

static num seal_of(const admitted *a) {
    num v[sizeof *a / sizeof(num)], total = 1;
    memcpy(v, a, sizeof v);
    for (int i = 0; i < 9; i++) {
        uint64_t bits = (uint64_t)v[i];
        total += (2 * i + 1) * (num)((bits ^ (bits >> 31)) & 0x7FFFFFFF);
    }
    return total;
}

static num first_rule(num mask) {
    for (num n = 1; n <= REQUIREMENTS; n++) if (mask & R(n)) return n;
    return 0;
}

static void trip(memory *m, num rule, num t) {
    if (m->trip != 0 && (rule != 33 || m->trip == 33)) return;
    m->state = DISARMED;
    m->trip = rule;
    m->trip_us = t;
}

/* ---- what was lowest in the last while: eight buckets ---- */

static void forget(lowest *w) {
    w->since_us = NEVER;
    for (int i = 0; i < BUCKETS; i++) w->bucket[i] = EMPTY;
}

static void see(lowest *w, num value, num window, num t) {
    num length = most(1, ceil_div(window, BUCKETS - 1)), elapsed = t - w->since_us;
    if (elapsed >= BUCKETS * length || elapsed <= -window) {
        forget(w);
        w->since_us = t;
    } else {
        for (; t - w->since_us >= length; w->since_us += length) {
            memmove(w->bucket + 1, w->bucket, (BUCKETS - 1) * sizeof(num));
            w->bucket[0] = EMPTY;
        }
    }
    w->bucket[0] = least(w->bucket[0], value);
}

static num lowest_of(const lowest *w) {
    num v = w->bucket[0];
    for (int i = 1; i < BUCKETS - (FAULT == 11); i++) v = least(v, w->bucket[i]);
    return v;
}

/* ---- judging one tick ---- */

typedef struct { num withhold, ramp, trip; } findings;

static int rests(const demand *d) { return d->current_uA == 0 || d->width_us == 0 || d->period_us == 0; }

static int in_range(const demand *d) {
    return d->current_uA >= 0 && d->current_uA <= 1000000 && d->width_us >= 0 && d->width_us <= 10000 &&
           (d->period_us == 0 || (d->period_us >= 1000 && d->period_us <= 10000000));
}

static int readable(const asked *a, const senses *s) {
    return s->law == 0 && a->fault == 0 && in_range(&a->of[0]) && in_range(&a->of[1]);
}

static void judge_clock(const limits *l, const memory *m, num t, findings *f) {
    num pulse_us = most(m->of[0].pulse_us, m->of[1].pulse_us);
    if (t < 0 || t > MAX_TIME || t < pulse_us || (m->tick_us != NEVER && t < m->tick_us)) {
        f->withhold |= R(4);
        f->trip |= R(4);
        return;
    }
    if (m->tick_us == NEVER) return;
    t -= m->tick_us;
    if (t < l->loop.tick_min_us || t > l->loop.tick_max_us) f->withhold |= R(4);
    if (t > l->loop.command_trip_us) f->trip |= R(3);
}

static void judge_law(const limits *l, memory *m, const asked *a, const senses *s, num t, findings *f) {
    num silence;
    if (readable(a, s)) {
        m->heard_us = t;
        m->faults = 0;
        return;
    }
    if (m->state == DISARMED || m->heard_us == NEVER) m->heard_us = t;
    silence = t - m->heard_us;
    if (silence >= l->loop.heartbeat_trip_us) f->trip |= R(32);
    if (s->law == 2) {
        if (silence >= l->loop.heartbeat_ramp_us) f->ramp |= R(32);
        return;
    }
    m->faults = least(m->faults + 1, 1000000);
    if (m->faults >= l->loop.faults_in_a_row) f->trip |= R(1);
    if (s->law == 0 && a->fault == 2) {
        f->withhold |= R(2);
        f->trip |= R(2);
    } else {
        f->withhold |= R(1);
    }
}

static void judge_contact(const limits *l, memory *m, int c, num ohm, num t, findings *f) {
    channel_state *own = &m->of[c];
    num jump = l->of[c].jump_percent, low, high;
    if (ohm < 0) {
        forget(&own->ohms);
        forget(&own->minus_ohms);
        return;
    }
    see(&own->ohms, ohm, l->loop.contact_window_us, t);
    see(&own->minus_ohms, -ohm, l->loop.contact_window_us, t);
    low = lowest_of(&own->ohms);
    high = -lowest_of(&own->minus_ohms);
    if (ohm < l->of[c].ohm_min || ohm > l->of[c].ohm_max) f->trip |= R(28);
    if (ohm * 100 > jump * low || ohm * jump < 100 * high) f->trip |= R(28);
}

static void judge_balance(const limits *l, memory *m, int c, const senses *s, num t, findings *f) {
    channel_state *own = &m->of[c];
    num size = size_of(s->balance[c].net_pC), elapsed = t - own->bal_since_us, window = l->loop.short_us, running;
    num rectified = most(own->spent_pC - own->bal_total_pC, 0);
    if (elapsed < window) {
        own->net_now_pC = least(own->net_now_pC + size, MAX_TIME);
    } else {
        int next = elapsed < 2 * window;
        own->net_before_pC = next ? own->net_now_pC : 0;
        own->bal_since_us = next ? own->bal_since_us + window : t;
        own->net_now_pC = size;
    }
    own->bal_total_pC = own->spent_pC;
    running = own->net_now_pC + own->net_before_pC;
    if (2000 * size > l->of[c].net_per_mille * rectified || running > l->of[c].net_pC) f->withhold |= R(18);
    if (running > l->of[c].net_trip_pC) f->trip |= R(18);
    if (s->balance[c].cut_short != 0) f->trip |= R(19);
}

static int judge_estimate(const limits *l, memory *m, const senses *s, num t, findings *f) {
    const loop_limits *k = &l->loop;
    num v = s->mN, sampled = t - s->age_us, apart;
    int pushing = 0, first = m->sampled_us == NEVER, new_one, moved, bad;
    for (int c = 0; c < 2; c++) pushing |= m->of[c].current_uA >= most(l->of[c].motor_uA, 1);
    if (s->known != 1) {
        if (m->bad_since_us == NEVER || m->state == DISARMED) m->bad_since_us = t;
        m->arrived = -1;
        m->value_mN = m->frozen = m->jumped = 0;
        m->sampled_us = m->same_since_us = NEVER;
        f->ramp |= R(30);
        if (t - m->bad_since_us >= k->implausible_us) f->trip |= R(30);
        return 0;
    }
    new_one = first || s->count != m->arrived;
    moved = new_one && (sampled != m->sampled_us || s->count != m->arrived);
    if (first || v != m->value_mN) {
        m->same_since_us = sampled;
        m->frozen = 0;
    } else if (!pushing && !m->frozen) {
        m->same_since_us = sampled;
    }
    if (new_one && !first) {
        apart = clip(size_of(sampled - m->sampled_us), 1000, 10000000);
        m->jumped = size_of(v - m->value_mN) * 1000000 > k->estimate_slope * apart;
        if (sampled - m->same_since_us >= k->frozen_us) m->frozen = 1;
    }
    bad = m->frozen || m->jumped || v < k->estimate_min || v > k->estimate_max || s->age_us < 0;
    if (!bad) m->bad_since_us = NEVER;
    else if (m->bad_since_us == NEVER || m->state == DISARMED) m->bad_since_us = t;
    if (new_one) {
        m->arrived = s->count;
        m->value_mN = v;
        m->sampled_us = sampled;
        see(&m->lows, v, k->force_window_us, sampled);
    }
    if (bad && m->state != DISARMED && t - m->bad_since_us >= k->implausible_us) f->trip |= R(30);
    if (bad || s->age_us > k->estimate_ramp_us) f->ramp |= R(30);
    if (s->age_us > k->estimate_trip_us) f->trip |= R(30);
    if (v > k->hard_mN || (moved && m->value_mN - lowest_of(&m->lows) > k->rise_mN)) f->trip |= R(31);
    return v > k->soft_mN;
}

/* ---- armed or latched ---- */

static num step_latch(const limits *l, memory *m, const senses *s, const findings *f, int at_rest, num mark, num t) {
    num found = f->withhold | f->ramp | f->trip, refused;
    int silent = m->of[0].current_uA == 0 && m->of[1].current_uA == 0;
    m->busy = least(m->busy, 1);
    if (s->stop != 0) {
        num more = m->state != DISARMED ? found : 0;
        trip(m, 33, t);
        return R(33) | more;
    }
    if (m->trip != 0) {
        int window = m->trip == 13 || m->trip == 15;
        int named = FAULT == 9 ? s->cause != 0 : s->cause == m->trip;
        if (!named || !at_rest || m->trip == 24 || found != 0 || (window && t - m->trip_us < l->loop.short_us))
            return R(34) | (s->cause != 0 ? found : 0);
        m->state = DISARMED;
        m->trip = 0;
        m->trip_us = NEVER;
    }
    if ((f->trip & R(39)) || (f->trip != 0 && m->state != DISARMED)) {
        trip(m, first_rule(f->trip), t);
        return found;
    }
    if (m->state != DISARMED) {
        m->state = s->arm != 0 ? ARMED : silent ? DISARMED : STOPPING;
        m->trip_us = NEVER;
        return 0;
    }
    if (s->arm == 0) return 0;
    refused = f->trip;
    if (l->of[0].ceiling_uA <= 0 && l->of[1].ceiling_uA <= 0) refused |= R(7);
    if (l->loop.screening_clear != 1) refused |= R(27);
    if (refused) return refused;
    m->state = ARMED;
    m->trip_us = NEVER;
    m->armed_us = t;
    if (m->session_us == NEVER) m->session_us = t;
    m->mark = mark;
    return 0;
}

/* ---- how much a channel may be given ---- */

static void lower(demand *d, num top, num rule, num *why) {
    if (d->current_uA <= top) return;
    *why |= rule;
    d->current_uA = top;
    if (top <= 0) d->current_uA = d->width_us = d->period_us = 0;
}

static num density_uA(const channel_limits *l, num bound, num per_mille) {
    num share = per_mille < 0 ? l->contact_assumed : per_mille;
    return least(bound * l->area_mm2 * share / 100000, 1000000);
}

static num bucket_us(num window, int many) { return most(1, ceil_div(window, many - 1 - (FAULT == 7))); }

static num steady_uA(const loop_limits *k, num rms, const demand *d, num pulses) {
    num square = rms * rms * k->short_us / (2 * d->width_us * pulses);
    return d->current_uA * d->current_uA <= square ? d->current_uA : root(square);
}

static demand bound(const channel_limits *l, const loop_limits *k, demand d, num ohm, num per_mille, num *why) {
    static const int rule[8] = {6, 7, 9, 10, 12, 13, 16, 17};
    const demand nothing = {0, 0, 0};
    num pulses, top[8], given = d.current_uA;
    if (rests(&d)) return nothing;
    if (d.width_us < l->width_min_us) {
        *why |= R(8);
        return nothing;
    }
    pulses = (k->short_us + bucket_us(k->short_us, SHORT)) / most(d.period_us, 1) + 1;
    top[0] = l->peak_uA;
    top[1] = l->ceiling_uA;
    top[2] = l->charge_pC / d.width_us;
    top[3] = FAULT == 2 ? given : l->density_charge_pC / d.width_us;
    top[4] = steady_uA(k, l->rms_uA, &d, pulses);
    top[5] = steady_uA(k, density_uA(l, l->density_rms, per_mille), &d, pulses);
    top[6] = l->rectified_pC / (2 * d.width_us * pulses);
    top[7] = ohm > 0 ? l->compliance_uV / ohm : given;
    for (int i = 0; i < 8; i++) {
        if (FAULT == 1 && i == 1 ? d.current_uA >= top[i] : d.current_uA > top[i]) *why |= R(rule[i]);
        given = least(given, top[i]);
    }
    if (d.width_us > l->width_max_us) {
        *why |= R(8);
        d.width_us = l->width_max_us;
    }
    if (d.period_us < l->period_min_us) {
        *why |= R(11);
        d.period_us = l->period_min_us;
    }
    d.current_uA = given;
    return given > 0 ? d : nothing;
}

static void share_out(const limits *l, const demand want[2], demand given[2], num why[2]) {
    num cap[2], wish[2], wished, room;
    if (FAULT == 10 || rests(&want[0]) || rests(&want[1])) return;
    for (int c = 0; c < 2; c++) {
        cap[c] = most(least(l->of[c].peak_uA, l->of[c].ceiling_uA), 1);
        wish[c] = least(want[c].current_uA, cap[c]);
    }
    wished = 1000 * (wish[0] * cap[1] + wish[1] * cap[0]);
    room = l->loop.summed_share * cap[0] * cap[1];
    if (wished <= room) return;
    for (int c = 0; c < 2; c++) lower(&given[c], wish[c] * room / wished, R(25), &why[c]);
}

static int keeps_ceilings(const channel_limits *l, const loop_limits *k, const demand *d) {
    if (d->current_uA == 0) return 1;
    return d->current_uA > 0 && d->current_uA <= least(l->peak_uA, l->ceiling_uA) &&
           d->current_uA % most(k->step_uA, 1) == 0 && d->width_us >= l->width_min_us &&
           d->width_us <= l->width_max_us &&
           d->current_uA * d->width_us <= least(l->charge_pC, l->density_charge_pC) &&
           d->period_us >= l->period_min_us;
}

static int fell_silent(const loop_limits *k, const memory *m, int c, num t) {
    return FAULT != 5 && (m->of[c].pulse_us < m->armed_us || t - m->of[c].pulse_us >= k->rest_us);
}

static void rise(const limits *l, const memory *m, int c, num t, demand *d, num *why) {
    const channel_limits *k = &l->of[c];
    const channel_state *own = &m->of[c];
    int silent = fell_silent(&l->loop, m, c, t);
    num since = clip(t - own->risen_us, 0, 10000000), top = k->first_step_uA, before = d->current_uA;
    num wide = d->width_us;
    if (d->current_uA == 0) return;
    if (!silent) top = most(top, own->current_uA + least(k->rise_uA, k->slew_uA_per_s * since / 1000000));
    d->current_uA = least(d->current_uA, top);
    if (!silent && own->current_uA > k->first_step_uA)
        d->width_us = least(wide, own->width_us + least(k->width_rise_us, k->width_slew * since / 1000000));
    if (d->current_uA != before || d->width_us != wide) *why |= silent ? R(21) : R(20);
}

static void no_further(const channel_state *own, demand *d, num *why) {
    if (d->current_uA == 0 || (d->current_uA <= own->current_uA && d->width_us <= own->width_us &&
                               d->period_us >= own->period_us)) return;
    *why |= R(31);
    d->width_us = least(d->width_us, own->width_us);
    d->period_us = most(d->period_us, own->period_us);
    lower(d, own->current_uA, R(31), why);
}

static int kept(const limits *l, int c, const demand *want, const demand *given) {
    return given->current_uA == 0 ||
           (given->current_uA <= want->current_uA && given->width_us <= want->width_us &&
            given->period_us >= want->period_us && keeps_ceilings(&l->of[c], &l->loop, given));
}

static senses bounded(senses s) {
    s.mN = clip(s.mN, -1000000000, 1000000000);
    s.age_us = clip(s.age_us, -1, MAX_TIME);
    for (int c = 0; c < 2; c++) {
        s.contact[c].ohm = clip(s.contact[c].ohm, -1, 1000000000);
        s.contact[c].per_mille = clip(s.contact[c].per_mille, -1, 1000);
        s.balance[c].net_pC = clip(s.balance[c].net_pC, -1000000000000LL, 1000000000000LL);
    }
    return s;
}

/* What is wrong at this tick, before anything is decided. Returns 1 above the soft force bound. */
static int judge(const limits *l, memory *m, const asked *a, const senses *s, num t, num now, num mark, findings *f) {
    int soft;
    for (int c = 0; c < 2; c++) {
        judge_contact(l, m, c, s->contact[c].ohm, now, f);
        judge_balance(l, m, c, s, now, f);
    }
    judge_clock(l, m, t, f);
    judge_law(l, m, a, s, now, f);
    soft = judge_estimate(l, m, s, now, f);
    if (m->session_us != NEVER && now - m->session_us >= l->loop.session_us) f->trip |= R(24);
    if (mark != m->mark && m->armed_us != NEVER && (m->state != DISARMED || m->trip != 0)) f->trip |= R(35);
    if (m->busy > 1) f->trip |= R(39);
    return soft;
}

/* The ramp to zero that runs at this tick, or none. */
static void step_ramp(const limits *l, memory *m, int ramping, num now) {
    if (!ramping) {
        m->ramp_since_us = NEVER;
        m->of[0].ramp_from_uA = m->of[1].ramp_from_uA = 0;
    } else if (m->ramp_since_us == NEVER) {
        int stale = now > m->expires_us;
        m->ramp_since_us = most(m->tick_us, now - l->loop.period_us);
        for (int c = 0; c < 2; c++) m->of[c].ramp_from_uA = stale ? 0 : m->of[c].current_uA;
    }
}

/* How long a channel must still be allowed on for its ramp to zero to fit in; from rest a ramp up as well. */
static num ramp_room(const limits *l, const channel_state *own, int c) {
    return (own->current_uA == 0 ? 2 : 1) * l->of[c].ramp_us + 3 * l->loop.period_us;
}

/* The on-time of a channel before an instant, as known now: the oldest run that ends after it tells. */
static num look_back(const loop_limits *k, const channel_state *own, const slots *slot, num from, num now, num *told) {
    num n = own->oldest_run, gone;
    const run *old = &slot->of[n % RUNS];
    for (; n < own->run; n++) {
        const run *next = &slot->of[(n + 1) % RUNS];
        if (FAULT == 15 || old->since_us + next->before_us - old->before_us > from) break;
        old = next;
    }
    gone = old->before_us + most(0, from - old->since_us);
    if (n >= own->run && now - own->pulse_us >= k->rest_us) gone = least(gone, own->on_us);
    *told = n;
    return gone;
}

/* The channel can't go on and still come down by a ramp before its on-time ends (R23). */
static int runs_out(const limits *l, const memory *m, int c, num now) {
    const loop_limits *k = &l->loop;
    const channel_state *own = &m->of[c];
    num until = now + ramp_room(l, own, c), told;
    num gone = look_back(k, own, &m->slot[c], until + k->on_gap_us - k->long_us, now, &told);
    int anew = now - own->pulse_us >= k->rest_us;
    num on = own->on_us + (anew ? until - now + k->on_gap_us : until - own->pulse_us);
    return until - (anew ? now : own->run_since_us) > l->of[c].run_us || on - gone > l->of[c].on_us;
}

/* The ramp at the end of one channel's on-time; it lasts until the channel has recovered. */
static void step_ending(const limits *l, memory *m, int c, const demand *d, num now) {
    channel_state *own = &m->of[c];
    if (own->ending_us == NEVER) {
        own->ending_from_uA = 0;
        if (d->current_uA == 0 || !runs_out(l, m, c, now)) return;
        own->ending_us = most(m->tick_us, now - l->loop.period_us);
        own->ending_from_uA = now > m->expires_us ? 0 : own->current_uA;
    } else if (now - own->pulse_us >= l->loop.recovery_us && !runs_out(l, m, c, now)) {
        own->ending_us = NEVER;
        own->ending_from_uA = 0;
    }
}

static num ramp_top(num length, num from_uA, num elapsed) {
    return elapsed < length ? least(from_uA, from_uA * (length - elapsed) / length) : 0;
}

static demand step_channel(const limits *l, const memory *m, int c, demand d, int soft, num now, num *why) {
    const channel_state *own = &m->of[c];
    num step = most(l->loop.step_uA, 1), length = l->of[c].ramp_us;
    if (own->hold_until_us > now && (own->hold_reasons & R(23))) lower(&d, 0, own->hold_reasons, why);
    if (own->ending_us != NEVER && FAULT != 14)
        lower(&d, least(ramp_top(length, own->ending_from_uA, now - own->ending_us), own->current_uA), R(23), why);
    if (m->ramp_since_us != NEVER)
        lower(&d, least(ramp_top(length, own->ramp_from_uA, now - m->ramp_since_us), own->current_uA), 0, why);
    rise(l, m, c, now, &d, why);
    if (soft && (c == 0 || FAULT == 12)) no_further(own, &d, why); /* only the agonist adds to the pinch */
    if (FAULT == 3) lower(&d, (d.current_uA + step / 2) / step * step, R(36), why);
    else lower(&d, d.current_uA - d.current_uA % step, R(36), why);
    return d;
}

static void remember(const limits *l, memory *m, int c, const demand *d, num why, const senses *s, num now) {
    channel_state *own = &m->of[c];
    num next = d->current_uA + most(l->loop.step_uA, 1);
    if (d->current_uA > 0 && own->current_uA == 0) own->started_us = now;
    if (d->current_uA > own->current_uA || d->width_us > own->width_us) own->risen_us = now;
    own->current_uA = d->current_uA;
    own->width_us = d->width_us;
    own->period_us = d->period_us;
    own->per_mille = s->contact[c].per_mille;
    own->saturated = (why & R(17)) && d->current_uA != 0 && next * s->contact[c].ohm > l->of[c].compliance_uV;
}

num interlock_tick(const limits *l, memory *m, admitted *out, const asked *a, const senses *raw, num t) {
    const demand nothing = {0, 0, 0};
    const senses s = bounded(*raw);
    const num now = clip(t, 0, MAX_TIME), mark = mark_of(l);
    findings f = {0, 0, 0};
    demand want[2], given[2];
    num reasons, ramp = 0, why[2] = {0, 0}, last = 0;
    int heard = readable(a, &s), late = s.law == 2, quiet = rests(&a->of[0]) && rests(&a->of[1]), soft, live, passed;

    m->busy += 1;
    memset(out, 0, sizeof *out);
    soft = judge(l, m, a, &s, t, now, mark, &f);
    reasons = step_latch(l, m, &s, &f, heard && quiet, mark, now);
    live = m->state != DISARMED;
    if (live) {
        ramp = f.ramp | (m->state == STOPPING ? R(22) : 0);
        reasons |= f.withhold | ramp;
    } else if (m->trip == 0 && !late && !(heard && quiet)) {
        reasons |= R(5);
    }
    for (int c = 0; c < 2; c++) {
        const demand before = {m->of[c].current_uA, m->of[c].width_us, m->of[c].period_us};
        want[c] = heard ? a->of[c] : late ? before : nothing;
        given[c] = bound(&l->of[c], &l->loop, want[c], s.contact[c].ohm, s.contact[c].per_mille, &why[c]);
    }
    share_out(l, want, given, why);
    passed = live && f.withhold == 0;
    step_ramp(l, m, passed && ramp != 0, now);
    for (int c = 0; c < 2; c++) {
        if (!passed) {
            given[c] = nothing;
            why[c] = 0;
        }
        step_ending(l, m, c, &given[c], now);
        given[c] = step_channel(l, m, c, given[c], soft, now, &why[c]);
        reasons |= why[c];
        if (given[c].current_uA * given[c].current_uA * 1000 * given[c].width_us > l->of[c].energy_aJ) last |= R(14);
    }
    if (!kept(l, 0, &want[0], &given[0]) || !kept(l, 1, &want[1], &given[1])) last |= R(37);
    if (last) {
        trip(m, first_rule(last), now);
        reasons |= last;
        given[0] = given[1] = nothing;
        why[0] = why[1] = 0;
    }
    out->admitted_us = now;
    out->expires_us = now + l->loop.valid_us;
    if (late && ramp == 0) out->expires_us = least(out->expires_us, m->expires_us);
    for (int c = 0; c < 2; c++) {
        out->of[c] = given[c];
        remember(l, m, c, &given[c], why[c], &s, now);
    }
    out->gap_us = l->loop.interphase_us;
    out->seal = seal_of(out);
    m->tick_us = now;
    m->expires_us = out->expires_us;
    m->busy = 0;
    return reasons;
}

/* ---- the gate ---- */

static void empty_slots(num *sum, num *slot, int many, num old, num new_one) {
    for (num b = most(old + 1, new_one - many + 1); b <= new_one; b++) {
        num at = b - floor_div(b, many) * many;
        *sum -= slot[at];
        slot[at] = 0;
    }
}

static void advance(const loop_limits *k, channel_state *own, slots *slot, num t) {
    num new_one = floor_div(t, bucket_us(k->short_us, SHORT));
    if (new_one > own->short_bucket) {
        empty_slots(&own->sum_pC, slot->pC, SHORT, own->short_bucket, new_one);
        empty_slots(&own->sum_square, slot->square, SHORT, own->short_bucket, new_one);
        own->short_bucket = new_one;
    }
}

static num next_bucket(num window, int many, num t) {
    num length = bucket_us(window, many);
    return (floor_div(t, length) + 1) * length;
}

static num clear_of_other(const loop_limits *k, const memory *m, num c, num t) {
    const channel_state *own = &m->of[c], *other = &m->of[FAULT == 4 ? c : 1 - c];
    int first = own->pulse_us < own->started_us || t - own->pulse_us > k->on_gap_us;
    return other->end_us + (first ? k->changeover_us : k->pulse_gap_us);
}

static num shut(const memory *m) { return m->trip != 0 ? R(34) : m->state == DISARMED ? R(5) : 0; }

static num broken(const limits *l, const memory *m, const admitted *a, num c, num t) {
    const channel_state *own = &m->of[c];
    num found = 0;
    if (m->busy > 1 || a->seal != seal_of(a)) found |= R(39);
    if (t < a->admitted_us || t < own->pulse_us || t > MAX_TIME) found |= R(4);
    if (t < own->short_bucket * bucket_us(l->loop.short_us, SHORT)) found |= R(4);
    if (t - a->admitted_us > l->loop.command_trip_us) found |= R(3);
    if (t - m->session_us >= l->loop.session_us) found |= R(24);
    if (!keeps_ceilings(&l->of[c], &l->loop, &a->of[c])) found |= R(37);
    return found;
}

static num early(const limits *l, const memory *m, const admitted *a, num c, num t) {
    const channel_state *own = &m->of[c];
    num found = 0;
    if (FAULT != 6 && t >= a->expires_us) found |= R(3);
    if (t - own->pulse_us < most(a->of[c].period_us, l->of[c].period_min_us)) found |= R(11);
    if (t < clear_of_other(&l->loop, m, c, t)) found |= R(26);
    if (a->of[c].current_uA > l->of[c].first_step_uA && fell_silent(&l->loop, m, (int)c, t)) found |= R(21);
    if (t < own->hold_until_us) found |= own->hold_reasons;
    return found;
}

/* R40: whether `counted` pC, so long after the last pulse, are more per second than the slew allows. */
static int too_steep(const channel_limits *k, const loop_limits *loop, num top, num counted, num since) {
    return counted * 1000000 > (top + k->intensity_slew * (since + loop->period_us) / 1000000) * since;
}

static num let_out(const limits *l, memory *m, const admitted *a, num c, num t, num oldest, pulse *out) {
    const channel_limits *k = &l->of[c];
    const loop_limits *loop = &l->loop;
    channel_state *own = &m->of[c];
    const demand d = a->of[c];
    const num charge = 2 * d.current_uA * d.width_us;
    const num square = FAULT == 8 ? (num)(uint32_t)(d.current_uA * charge) : d.current_uA * charge;
    num spent = own->sum_square + square, silence = t - own->pulse_us, until = t, hold = 0, cause = 0;
    int anew = fell_silent(loop, m, (int)c, t);
    num top = own->top_pC_per_s, wide = most(d.width_us, FAULT == 13 ? 0 : k->intensity_width_us);
    num counted = most(d.current_uA - k->first_step_uA, 0) * wide, gone = most(silence, 1);
    const int rested = silence >= loop->rest_us;
    const num since = rested ? t : own->run_since_us, on = own->on_us + (rested ? loop->on_gap_us : silence);
    num trip_uA = density_uA(k, k->density_trip, own->per_mille), clamp_uA = density_uA(k, k->density_rms, own->per_mille);
    if (own->spent_pC + charge > k->total_pC) cause |= R(24);
    if (own->saturated_count + own->saturated > loop->saturated_pulses) cause |= R(17);
    if (spent > k->power_rms_uA * k->power_rms_uA * loop->short_us) cause |= R(15);
    if (own->sum_square > trip_uA * trip_uA * loop->short_us) cause |= R(13);
    if (spent > k->rms_uA * k->rms_uA * loop->short_us) hold |= R(12);
    if (spent > clamp_uA * clamp_uA * loop->short_us) hold |= R(13);
    if (own->sum_pC + charge > k->rectified_pC) hold |= R(16);
    if (hold) until = next_bucket(loop->short_us, SHORT, t);
    if (t - since > k->run_us || on - own->gone_us > k->on_us) {
        hold |= R(23);
        until = most(until, most(own->pulse_us + loop->recovery_us, t + loop->rest_us));
    }
    if (cause == 0 && !anew && too_steep(k, loop, top, counted, gone)) {
        num low = gone, high = loop->rest_us;
        while (high - low > 1) {
            num middle = (low + high) / 2;
            if (too_steep(k, loop, top, counted, middle)) low = middle; else high = middle;
        }
        hold |= R(40);
        until = most(until, own->pulse_us + high);
    }
    if (cause) {
        trip(m, first_rule(cause), t);
    } else if (hold) {
        own->hold_until_us = until;
        own->hold_reasons = hold;
    } else {
        slots *slot = &m->slot[c];
        if (anew) own->top_pC_per_s = 0;
        else own->top_pC_per_s = least(top + k->intensity_slew * gone / 1000000, 11 * counted * 1000000 / (10 * gone));
        if (rested) {
            own->run += 1;
            slot->of[own->run % RUNS] = (run){t, own->on_us};
        }
        own->oldest_run = oldest;
        own->pulse_us = t;
        own->end_us = t + 2 * d.width_us + a->gap_us;
        own->run_since_us = since;
        own->on_us = on;
        own->spent_pC += charge;
        own->saturated_count = own->saturated ? own->saturated_count + 1 : 0;
        own->sum_pC += charge;
        own->sum_square += square;
        slot->pC[own->short_bucket % SHORT] += charge;
        slot->square[own->short_bucket % SHORT] += square;
        out->current_uA = d.current_uA;
        out->width_us = d.width_us;
        out->gap_us = a->gap_us;
    }
    return cause | hold;
}

num interlock_gate(const limits *l, memory *m, const admitted *a, num c, num t, pulse *out) {
    if (m->state == DISARMED || mark_of(l) == m->mark) return interlock_gate_of_fixed(l, m, a, c, t, out);
    memset(out, 0, sizeof *out);
    trip(m, 35, clip(t, 0, MAX_TIME));
    return R(35);
}

num interlock_gate_of_fixed(const limits *l, memory *m, const admitted *a, num c, num t, pulse *out) {
    const num now = clip(t, 0, MAX_TIME), opens = now + l->loop.on_gap_us - l->loop.long_us;
    num reasons, oldest;
    memset(out, 0, sizeof *out);
    m->busy += 1;
    advance(&l->loop, &m->of[c], &m->slot[c], t);
    m->of[c].gone_us = look_back(&l->loop, &m->of[c], &m->slot[c], opens, now, &oldest);
    if (a->of[c].current_uA == 0) {
        reasons = 0;
    } else if ((reasons = shut(m)) == 0) {
        if ((reasons = broken(l, m, a, c, t)) != 0) trip(m, first_rule(reasons), t);
        else if ((reasons = early(l, m, a, c, t)) == 0) reasons = let_out(l, m, a, c, t, oldest, out);
    }
    m->busy -= 1;
    return reasons;
}

num interlock_next(const limits *l, const memory *m, const admitted *a, num c, num t) {
    const channel_state *own = &m->of[c];
    num at = most(most(t, a->admitted_us), own->hold_until_us);
    if (a->of[c].current_uA == 0 || shut(m)) return -1;
    at = most(at, own->pulse_us + most(a->of[c].period_us, l->of[c].period_min_us));
    at = most(at, clear_of_other(&l->loop, m, c, at));
    if (at >= a->expires_us) return -1;
    if (a->of[c].current_uA > l->of[c].first_step_uA && fell_silent(&l->loop, m, (int)c, at)) return -1;
    return at;
}

void interlock_halt(memory *m, admitted *a, num t) {
    memset(a, 0, sizeof *a);
    trip(m, 33, t);
}

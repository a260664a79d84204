/* What the header calls fit for real time allocates and frees nothing: not from the first call on, planar or interleaved,
 * with an error handle or without, across jumps. */
#include "counting.h"
#include "test.h"

enum { RATE = 48000, BLOCK = 4096, CHANNELS = 2 };

static coeval_error *error;
static float block[BLOCK * CHANNELS], out[BLOCK * CHANNELS], presence[BLOCK], left[BLOCK], right[BLOCK];
static const float *planes[CHANNELS] = {left, right};
static float *places[CHANNELS] = {left, right};

/* Whatever stands within it must not allocate; it may free as little. */
#define QUIETLY(what)                                                                  \
    do {                                                                               \
        const long made_before = atomic_load(&made), live_before = atomic_load(&live); \
        what;                                                                          \
        CHECK(atomic_load(&made) == made_before && atomic_load(&live) == live_before); \
    } while (0)

/* Sound along a map with drift, with sound lost and sound repeated; `quarter` of a block at a time. */
static void resampler(int planar, size_t frames_each, coeval_error *e) {
    const coeval_knot knots[] = {{0.0, 1.0},    {3.0, 4.0003}, {3.0, 4.5003}, {6.0, 7.5006},
                                 {6.0, 7.2006}, {9.0, 10.2009}};
    coeval_clock_map *map = NULL;
    coeval_resample_options *options = coeval_resample_options_new(44100.0, RATE, CHANNELS, 11 * RATE);
    coeval_resampler *r = NULL;
    uint64_t frame;
    size_t frames, done = 0;
    CHECK_OK(coeval_clock_map_from_knots(knots, 6, &map, error), error);
    CHECK_OK(coeval_resampler_new(map, NULL, options, &r, error), error);
    CHECK(coeval_resampler_latency_frames(r) > 0 && coeval_resampler_done(r) == 0);
    do {
        int wants = 0;
        QUIETLY(wants = coeval_resampler_wants(r, &frame));
        while (wants) {
            coeval_status status = COEVAL_OTHER;
            if (frame >= 9 * 44100)
                QUIETLY(status = coeval_resampler_end_of_source(r, e));
            else if (planar)
                QUIETLY(status = coeval_resampler_push_planar(r, planes, frames_each, e));
            else
                QUIETLY(status = coeval_resampler_push_at_interleaved(r, frame, block, frames_each, e));
            CHECK(status == COEVAL_OK);
            QUIETLY(wants = coeval_resampler_wants(r, &frame));
        }
        QUIETLY(coeval_resampler_available(r));
        if (planar)
            QUIETLY(CHECK(coeval_resampler_pull_planar(r, places, frames_each, NULL, &frames, e) == COEVAL_OK));
        else
            QUIETLY(CHECK(coeval_resampler_pull_interleaved(r, out, frames_each, presence, &frames, e) == COEVAL_OK));
        done += frames;
    } while (frames > 0);
    CHECK(done == 11 * RATE && coeval_resampler_done(r) == 1);
    coeval_resampler_free(&r);
    coeval_resample_options_free(&options);
    coeval_clock_map_free(&map);
}

static void limiter(int planar, size_t frames_each, coeval_error *e) {
    coeval_limiter *l = NULL;
    size_t frames, done = 0, pushed = 0;
    CHECK_OK(coeval_limiter_new(RATE, CHANNELS, -12.0, &l, error), error);
    while (pushed < 3 * RATE) {
        if (planar)
            QUIETLY(CHECK(coeval_limiter_push_planar(l, planes, frames_each, e) == COEVAL_OK));
        else
            QUIETLY(CHECK(coeval_limiter_push_interleaved(l, block, frames_each, e) == COEVAL_OK));
        pushed += frames_each;
        do {
            QUIETLY(CHECK(coeval_limiter_pull_interleaved(l, out, frames_each, &frames, e) == COEVAL_OK));
            done += frames;
        } while (frames > 0);
    }
    CHECK(pushed - done == coeval_limiter_latency_frames(l));
    coeval_limiter_free(&l);
}

/* Reading results does not allocate either. */
static void readers(void) {
    coeval_track *a = make_track(RATE, 0, 10 * RATE, 11), *b = make_track(RATE, RATE, 8 * RATE, 12);
    coeval_pair *pair = NULL;
    coeval_clock_map *map = NULL;
    coeval_pair_summary summary;
    coeval_knot knots[8];
    double sum = 0.0;
    CHECK_OK(coeval_pair_align(a, b, NULL, NULL, NULL, &pair, error), error);
    CHECK_OK(coeval_pair_clock_map(pair, &map, error), error);
    summary.struct_size = sizeof summary;
    QUIETLY(CHECK(coeval_pair_get_summary(pair, &summary, error) == COEVAL_OK));
    QUIETLY(sum += (double)coeval_pair_knots(pair, knots, 8) + (double)coeval_pair_jumps(pair, NULL, 0));
    QUIETLY(sum += coeval_clock_map_to_timeline(map, 3.0) + coeval_clock_map_to_file(map, 3.0));
    QUIETLY(sum += coeval_track_duration_s(a) + (coeval_pair_to_json(pair) != NULL));
    CHECK(sum > 0.0);
    coeval_clock_map_free(&map);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
}

int main(void) {
    uint32_t state = 7;
    size_t i, each;
    int planar, with;
    for (i = 0; i < BLOCK; i++) left[i] = block[2 * i] = noise(&state), right[i] = block[2 * i + 1] = noise(&state);
    error = coeval_error_new();
    for (planar = 0; planar < 2; planar++) {
        for (with = 0; with < 2; with++) {
            for (each = 64; each <= BLOCK; each *= 8) {
                resampler(planar, each, with ? error : NULL);
                limiter(planar, each, with ? error : NULL);
            }
        }
    }
    readers();
    coeval_error_free(&error);
    return finished("realtime");
}

/* Several threads, each with handles of its own, and all with the same two tracks at once. Arguments: how many, 4 unless
 * told, and how many seconds each track lasts, 10 unless told. */
#include <pthread.h>

#include "test.h"

enum { MOST = 64 };

static coeval_track *a, *b;
static size_t seconds = 10;
static coeval_speech_curve *curve;
static coeval_pair_summary results[MOST], own_results[MOST];

static void compare(const coeval_track *x, const coeval_track *y, coeval_pair_summary *into) {
    coeval_error *error = coeval_error_new();
    coeval_pair *pair = NULL;
    if (coeval_pair_align(x, y, NULL, NULL, NULL, &pair, error) != COEVAL_OK) {
        fprintf(stderr, "%s\n", coeval_error_text(error));
        exit(1);
    }
    into->struct_size = sizeof *into;
    if (coeval_pair_get_summary(pair, into, error) != COEVAL_OK) exit(1);
    coeval_pair_free(&pair);
    coeval_error_free(&error);
}

static size_t stretches(void) {
    coeval_speech_segments *segments = NULL;
    size_t count;
    if (coeval_speech_curve_segments(curve, NULL, &segments, NULL) != COEVAL_OK) exit(1);
    count = coeval_speech_segments_count(segments);
    coeval_speech_segments_free(&segments);
    return count;
}

/* `b` begins a second into `a`, and ends a second before it. */
static void make_tracks(coeval_track **into_a, coeval_track **into_b) {
    *into_a = make_track(48000.0, 0, seconds * 48000, 11);
    *into_b = make_track(48000.0, 48000, (seconds - 2) * 48000, 12);
}

static void *work(void *number) {
    size_t i = *(size_t *)number, k;
    coeval_speech_curve *heard = hear_speech(5 * 48000);
    coeval_error *error = coeval_error_new();
    coeval_track *x, *y;
    make_tracks(&x, &y);
    compare(a, b, &results[i]);
    compare(x, y, &own_results[i]);
    if (stretches() != 1 || coeval_speech_curve_probability(heard, NULL, 0) != 500) exit(1);
    coeval_speech_curve_free(&heard);
    for (k = 0; k < 200; k++) {
        /* Each thread's failure has its own text. */
        coeval_track_builder *none = NULL;
        char want[32];
        snprintf(want, sizeof want, "rate_hz is %d,", (int)i);
        if (coeval_track_builder_new((double)i, 1, &none, error) != COEVAL_INVALID_ARGUMENT ||
            strstr(coeval_error_text(error), want) == NULL) {
            fprintf(stderr, "thread %d: %s\n", (int)i, coeval_error_text(error));
            exit(1);
        }
    }
    coeval_track_free(&x);
    coeval_track_free(&y);
    coeval_error_free(&error);
    return NULL;
}

int main(int argc, char **argv) {
    pthread_t threads[MOST];
    size_t count = argc > 1 ? (size_t)atoi(argv[1]) : 4, numbers[MOST], i;
    coeval_pair_summary alone;
    CHECK(count > 0 && count <= MOST);
    if (argc > 2) seconds = (size_t)atoi(argv[2]);
    CHECK(seconds > 2);
    make_tracks(&a, &b);
    curve = hear_speech(5 * 48000);
    compare(a, b, &alone);
    CHECK(alone.placed == 1);
    for (i = 0; i < count; i++) {
        numbers[i] = i;
        CHECK(pthread_create(&threads[i], NULL, work, &numbers[i]) == 0);
    }
    for (i = 0; i < count; i++) CHECK(pthread_join(threads[i], NULL) == 0);
    for (i = 0; i < count; i++) {
        CHECK(results[i].offset_s == alone.offset_s && results[i].drift_ppm == alone.drift_ppm);
        CHECK(own_results[i].offset_s == alone.offset_s && own_results[i].drift_ppm == alone.drift_ppm);
    }
    coeval_speech_curve_free(&curve);
    coeval_track_free(&a);
    coeval_track_free(&b);
    return finished("threads");
}

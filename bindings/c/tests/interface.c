/* Every part of the interface once: what it gives, and how it answers what it cannot take.
 * Argument: the folder of the demo recordings; without it no files are read. */
#include <math.h>

#include <coeval.h>
/* A second time: the header guards itself. */
#include <coeval.h>

#include "test.h"

extern coeval_status coeval_test_panic(coeval_error *error);

static coeval_error *error;

static int failed_with(coeval_status got, coeval_status want, const char *word) {
    const char *text = coeval_error_text(error);
    if (got == want && coeval_error_status(error) == want && strstr(text, word) != NULL) return 1;
    fprintf(stderr, "status %d (%s), not %d; text: %s; sought: %s\n", (int)got, coeval_status_text(got), (int)want,
            text, word);
    return 0;
}

#define CHECK_FAILS(call, word) CHECK(failed_with((call), COEVAL_INVALID_ARGUMENT, (word)))

typedef struct heard {
    int count, level;
    char text[400];
} heard;

static void hear_log(void *user, int32_t level, const char *text) {
    heard *h = user;
    h->count++;
    h->level = level;
    snprintf(h->text, sizeof h->text, "%s", text);
}

/* Failures are heard even where no error handle takes them; a fault no longer goes to standard error. */
static void log_of_failures(void) {
    heard h;
    coeval_track_builder *builder = NULL;
    memset(&h, 0, sizeof h);
    coeval_set_log(hear_log, &h);
    CHECK(coeval_track_builder_new(0.0, 1, &builder, NULL) == COEVAL_INVALID_ARGUMENT);
    CHECK(h.count == 1 && h.level == COEVAL_LOG_FAILURE && strstr(h.text, "rate_hz") != NULL);
    CHECK(coeval_test_panic(NULL) == COEVAL_INTERNAL);
    CHECK(h.count == 3 && h.level == COEVAL_LOG_FAILURE && strstr(h.text, "a fault on request") != NULL);
    coeval_set_log(NULL, NULL);
    CHECK(coeval_track_builder_new(0.0, 1, &builder, NULL) == COEVAL_INVALID_ARGUMENT);
    CHECK(h.count == 3);
}

/* What was written reads back the same to the last bit, and nothing else is taken for it. */
static void texts_and_bytes(void) {
    const coeval_knot knots[] = {{0.0, 0.1}, {5.0 / 3.0, 1.7}, {5.0 / 3.0, 2.2}, {10.0, 1.0 / 3.0 + 10.5}};
    coeval_knot back[4];
    coeval_clock_map *map = NULL, *again = NULL;
    coeval_track *a = make_track(48000.0, 0, 10 * 48000, 11), *b = make_track(48000.0, 48000, 8 * 48000, 12), *c = NULL;
    coeval_pair *pair = NULL, *copy = NULL, *of_copy = NULL;
    coeval_pair_summary one, two;
    coeval_evidence first[4], second[4];
    unsigned char *bytes;
    char *text;
    size_t length, count;
    CHECK_OK(coeval_clock_map_from_knots(knots, 4, &map, error), error);
    length = coeval_clock_map_to_json(map, NULL, 0);
    text = malloc(length + 1);
    CHECK(text != NULL && coeval_clock_map_to_json(map, text, length + 1) == length && strlen(text) == length);
    CHECK_OK(coeval_clock_map_from_json(text, &again, error), error);
    CHECK(coeval_clock_map_knots(again, back, 4) == 4 && memcmp(knots, back, sizeof back) == 0);
    coeval_clock_map_free(&again);
    CHECK(coeval_clock_map_to_json(map, text, 5) == length && strlen(text) == 4);
    CHECK(failed_with(coeval_clock_map_from_json(text, &again, error), COEVAL_DAMAGED, "clock map"));
    CHECK(failed_with(coeval_clock_map_from_json("{\"schema\": \"coeval.clock-map/2\", \"knots\": [[0, 0], [1, 1]]}", &again,
                                                 error),
                      COEVAL_DAMAGED, "coeval.clock-map/1"));
    CHECK_FAILS(coeval_clock_map_from_json("{\"schema\": \"coeval.clock-map/1\", \"knots\": [[0, 0]]}", &again, error),
                "two knots");
    CHECK(coeval_clock_map_to_json(NULL, text, 5) == 0);
    free(text);
    coeval_clock_map_free(&map);

    count = coeval_track_to_bytes(a, NULL, 0);
    bytes = malloc(count);
    CHECK(bytes != NULL && coeval_track_to_bytes(a, bytes, count) == count && coeval_track_to_bytes(NULL, NULL, 0) == 0);
    CHECK_OK(coeval_track_from_bytes(bytes, count, &c, error), error);
    CHECK_OK(coeval_pair_align(a, b, NULL, NULL, NULL, &pair, error), error);
    CHECK_OK(coeval_pair_align(c, b, NULL, NULL, NULL, &of_copy, error), error);
    CHECK(strcmp(coeval_pair_to_json(pair), coeval_pair_to_json(of_copy)) == 0);
    coeval_track_free(&c);
    CHECK(failed_with(coeval_track_from_bytes(bytes, count - 1, &c, error), COEVAL_DAMAGED, "cut or changed"));
    CHECK(failed_with(coeval_track_from_bytes(bytes + 1, count - 1, &c, error), COEVAL_UNKNOWN_FORMAT, "no track"));
    CHECK_FAILS(coeval_track_from_bytes(NULL, count, &c, error), "NULL");
    free(bytes);

    CHECK_OK(coeval_pair_from_json(coeval_pair_to_json(pair), &copy, error), error);
    CHECK(strcmp(coeval_pair_to_json(pair), coeval_pair_to_json(copy)) == 0);
    one.struct_size = two.struct_size = sizeof one;
    CHECK_OK(coeval_pair_get_summary(pair, &one, error), error);
    CHECK_OK(coeval_pair_get_summary(copy, &two, error), error);
    CHECK(one.placed == 1 && memcmp(&one, &two, sizeof one) == 0);
    CHECK(coeval_pair_evidence(pair, first, 4) == coeval_pair_evidence(copy, second, 4));
    CHECK(memcmp(first, second, sizeof first) == 0);
    coeval_pair_free(&copy);
    CHECK_OK(coeval_pair_from_json("{\"schema\": \"coeval.pair/1\", \"status\": \"unplaced\", \"reason\": \"silent\"}", &copy,
                                   error),
             error);
    CHECK(strcmp(coeval_pair_reason(copy), "silent") == 0);
    coeval_pair_free(&copy);
    CHECK(failed_with(coeval_pair_from_json("{}", &copy, error), COEVAL_DAMAGED, "not a pair"));
    CHECK(failed_with(coeval_pair_from_json("{\"schema\": \"coeval.pair/1\", \"status\": \"placed\"}", &copy, error),
                      COEVAL_DAMAGED, "not a pair"));
    coeval_pair_free(&of_copy);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
}

static void versions_and_errors(void) {
    char version[40];
    snprintf(version, sizeof version, "%d.%d.%d", COEVAL_VERSION_MAJOR, COEVAL_VERSION_MINOR, COEVAL_VERSION_PATCH);
    CHECK(strcmp(coeval_version(), version) == 0);
    CHECK(COEVAL_VERSION_NUMBER == COEVAL_VERSION_MAJOR * 1000000 + COEVAL_VERSION_MINOR * 1000 + COEVAL_VERSION_PATCH);
    coeval_error *none = NULL;
    CHECK(coeval_abi_version() == COEVAL_ABI_VERSION);
    CHECK(strchr(coeval_version(), '.') != NULL);
    CHECK(strcmp(coeval_status_text(COEVAL_OK), "ok") == 0);
    CHECK(strcmp(coeval_status_text(COEVAL_NOT_FOUND), "not found") == 0);
    CHECK(strcmp(coeval_status_text(12345), "unknown status") == 0);
    CHECK(coeval_error_status(error) == COEVAL_OK && strcmp(coeval_error_text(error), "") == 0);
    CHECK(coeval_error_path(error) == NULL && coeval_error_remedy(error) == NULL);
    /* A panic comes back as a status, with and without a place for its text. */
    CHECK(failed_with(coeval_test_panic(error), COEVAL_INTERNAL, "a fault on request"));
    CHECK(coeval_test_panic(NULL) == COEVAL_INTERNAL);
    CHECK(coeval_error_remedy(error) != NULL);
    /* Nothing to free, twice over. */
    coeval_error_free(&none);
    coeval_error_free(&none);
    coeval_error_free(NULL);
    CHECK(coeval_error_status(NULL) == COEVAL_INVALID_ARGUMENT);
    CHECK(strcmp(coeval_error_text(NULL), "") == 0);
}

static void tracks(void) {
    coeval_track_builder *builder = (coeval_track_builder *)1;
    coeval_track *track = NULL, *nothing = NULL;
    float left[3000], right[3000], both[6000], odd[4];
    const float *planes[2], *holed[2];
    size_t i;
    CHECK_FAILS(coeval_track_builder_new(0.0, 1, &builder, error), "rate_hz");
    CHECK(builder == NULL);
    CHECK_FAILS(coeval_track_builder_new((double)NAN, 1, &builder, error), "rate_hz");
    CHECK_FAILS(coeval_track_builder_new(48000.0, 0, &builder, error), "channels");
    CHECK_FAILS(coeval_track_builder_new(48000.0, 65, &builder, error), "channels");
    CHECK_FAILS(coeval_track_builder_new(48000.0, 1, NULL, error), "NULL");
    CHECK(coeval_track_builder_new(48000.0, 0, &builder, NULL) == COEVAL_INVALID_ARGUMENT);

    CHECK_OK(coeval_track_builder_new(16000.0, 2, &builder, error), error);
    for (i = 0; i < 3000; i++) {
        left[i] = both[2 * i] = (float)(i % 50) / 50.0f;
        right[i] = both[2 * i + 1] = (float)(i % 70) / 70.0f;
    }
    planes[0] = holed[0] = left;
    planes[1] = right;
    holed[1] = NULL;
    CHECK_FAILS(coeval_track_builder_push_interleaved(NULL, both, 10, error), "NULL");
    CHECK_FAILS(coeval_track_builder_push_interleaved(builder, NULL, 10, error), "NULL");
    CHECK_FAILS(coeval_track_builder_push_interleaved(builder, (const float *)((const char *)odd + 1), 1, error),
                "aligned");
    CHECK_FAILS(coeval_track_builder_push_interleaved(builder, both, SIZE_MAX, error), "frames");
    CHECK_FAILS(coeval_track_builder_push_interleaved(builder, both, SIZE_MAX / 8, error), "memory");
    CHECK_FAILS(coeval_track_builder_push_planar(builder, NULL, 10, error), "NULL");
    CHECK_FAILS(coeval_track_builder_push_planar(builder, holed, 10, error), "NULL");
    CHECK_OK(coeval_track_builder_push_interleaved(builder, NULL, 0, error), error);
    CHECK_OK(coeval_track_builder_push_planar(builder, NULL, 0, error), error);
    CHECK_OK(coeval_track_builder_push_interleaved(builder, both, 3000, error), error);
    CHECK_OK(coeval_track_builder_push_planar(builder, planes, 3000, error), error);
    left[7] = NAN;
    right[9] = INFINITY;
    CHECK_OK(coeval_track_builder_push_planar(builder, planes, 3000, error), error);
    CHECK_FAILS(coeval_track_builder_finish(&builder, NULL, error), "NULL");
    CHECK(builder != NULL);
    CHECK_OK(coeval_track_builder_finish(&builder, &track, error), error);
    CHECK(builder == NULL);
    CHECK(coeval_track_duration_s(track) == 9000.0 / 16000.0);
    CHECK_FAILS(coeval_track_builder_finish(&builder, &nothing, error), "NULL");
    CHECK(nothing == NULL);
    coeval_track_free(&track);
    CHECK(isnan(coeval_track_duration_s(NULL)) && coeval_track_is_silent(NULL) == 1);
}

static void track_is_as_long_as_its_sound(void) {
    coeval_track *track = make_track(44100.0, 0, 44100, 77);
    coeval_error *wrong = (coeval_error *)track;
    CHECK(coeval_track_duration_s(track) == 1.0);
    CHECK(coeval_track_is_silent(track) == 0);
    /* A handle of another type is recognised, and neither used nor freed. */
    CHECK(coeval_error_status(wrong) == COEVAL_INVALID_ARGUMENT);
    coeval_error_free(&wrong);
    CHECK(wrong != NULL);
    CHECK(coeval_track_duration_s(track) == 1.0);
    coeval_track_free(&track);
    CHECK(track == NULL);
    coeval_track_free(&track);
}

static int stop_at_once(void *user, const char *stage, double done) {
    CHECK(stage != NULL && done >= 0.0 && done <= 1.0);
    ++*(int *)user;
    return 1;
}

static int go_on(void *user, const char *stage, double done) {
    CHECK(stage != NULL && done >= 0.0 && done <= 1.0);
    ++*(int *)user;
    return 0;
}

static void pairs(void) {
    /* b starts 2 s later; its clock is 40 ppm fast, so it calls what it wrote 48000 Hz. */
    coeval_track *a = make_track(48000.0, 0, 20 * 48000, 11), *b = make_track(48000.0, 96000, 14 * 48000, 12);
    coeval_track *quiet = NULL;
    coeval_track_builder *builder = NULL;
    coeval_pair_options *options = coeval_pair_options_new();
    coeval_pair *pair = NULL;
    coeval_pair_summary summary;
    coeval_knot knots[2];
    coeval_evidence *evidence;
    coeval_clock_map *map = NULL;
    float zeros[48000];
    int calls = 0;
    size_t i;
    coeval_pair_stretch stretches[3];

    CHECK_FAILS(coeval_pair_options_set_max_drift_ppm(options, -1.0, error), "max_drift_ppm");
    CHECK_FAILS(coeval_pair_options_set_max_drift_ppm(options, (double)NAN, error), "max_drift_ppm");
    CHECK_FAILS(coeval_pair_options_set_offset_range_s(options, 2.0, 1.0, error), "offset_range_s");
    CHECK_OK(coeval_pair_options_set_max_drift_ppm(options, 300.0, error), error);
    CHECK_FAILS(coeval_pair_align(NULL, b, NULL, NULL, NULL, &pair, error), "NULL");
    CHECK_FAILS(coeval_pair_align(a, b, (const coeval_pair_options *)a, NULL, NULL, &pair, error), "another handle");
    CHECK_FAILS(coeval_pair_align(a, b, NULL, NULL, NULL, NULL, error), "NULL");

    CHECK(failed_with(coeval_pair_align(a, b, options, stop_at_once, &calls, &pair, error), COEVAL_CANCELLED, ""));
    CHECK(pair == NULL && calls >= 1);
    calls = 0;
    CHECK_OK(coeval_pair_align(a, b, options, go_on, &calls, &pair, error), error);
    CHECK(calls > 1);

    summary.struct_size = 4;
    CHECK_FAILS(coeval_pair_get_summary(pair, &summary, error), "struct_size");
    summary.struct_size = sizeof summary;
    CHECK_FAILS(coeval_pair_get_summary(NULL, &summary, error), "NULL");
    CHECK_OK(coeval_pair_get_summary(pair, &summary, error), error);
    CHECK(summary.struct_size == sizeof summary);
    CHECK(summary.placed == 1 && summary.reason == COEVAL_IS_PLACED && coeval_pair_reason(pair) == NULL);
    /* One sample at 48 kHz is 21 microseconds. */
    CHECK(fabs(summary.offset_s - 2.0) < 20e-6);
    CHECK(fabs(summary.drift_ppm) < 2.0);
    /* Noise that never pauses is no talk, and may be an engine's: 4 ms are those of a source that nobody knows. */
    CHECK(summary.confidence > 0.99 && summary.uncertainty_s > 3.5e-3 && summary.uncertainty_s < 4.5e-3);
    CHECK(fabs(summary.overlap_s - 14.0) < 0.1);
    CHECK(summary.jump_count == 0 && coeval_pair_jumps(pair, NULL, 0) == 0);
    CHECK(coeval_pair_stretches(pair, stretches, 3) >= 1 && coeval_pair_stretches(NULL, stretches, 3) == 0);
    CHECK(stretches[0].from_s < stretches[0].to_s && stretches[0].uncertainty_s > 0.0);
    CHECK(stretches[0].confidence > 0.9 && stretches[0].confidence <= summary.confidence);
    CHECK(summary.knot_count >= 2 && coeval_pair_knots(pair, NULL, 0) == summary.knot_count);
    CHECK(coeval_pair_knots(pair, knots, 1) == summary.knot_count);
    CHECK(knots[0].file_s == 0.0 && knots[0].timeline_s == summary.offset_s);
    evidence = malloc(summary.evidence_count * sizeof *evidence);
    CHECK(evidence != NULL && summary.evidence_count > 2);
    CHECK(coeval_pair_evidence(pair, evidence, summary.evidence_count) == summary.evidence_count);
    for (i = 0; i < summary.evidence_count; i++) CHECK(fabs(evidence[i].a_s - evidence[i].b_s - 2.0) < 1e-3);
    free(evidence);
    CHECK(strstr(coeval_pair_to_json(pair), "\"offset_s\"") != NULL);
    CHECK_OK(coeval_pair_clock_map(pair, &map, error), error);
    CHECK(fabs(coeval_clock_map_to_timeline(map, 3.0) - 5.0) < 1e-4);
    coeval_clock_map_free(&map);
    coeval_pair_free(&pair);
    CHECK(pair == NULL && coeval_pair_to_json(pair) == NULL && coeval_pair_knots(pair, NULL, 0) == 0);

    /* Silence has no placement, which is a result. */
    memset(zeros, 0, sizeof zeros);
    CHECK_OK(coeval_track_builder_new(48000.0, 1, &builder, error), error);
    CHECK_OK(coeval_track_builder_push_interleaved(builder, zeros, 48000, error), error);
    CHECK_OK(coeval_track_builder_finish(&builder, &quiet, error), error);
    CHECK_OK(coeval_pair_align(a, quiet, NULL, NULL, NULL, &pair, error), error);
    CHECK_OK(coeval_pair_get_summary(pair, &summary, error), error);
    CHECK(summary.placed == 0 && summary.reason == COEVAL_SILENT && isnan(summary.offset_s));
    CHECK(strcmp(coeval_pair_reason(pair), "silent") == 0);
    CHECK(strstr(coeval_pair_to_json(pair), "unplaced") != NULL);
    CHECK_FAILS(coeval_pair_clock_map(pair, &map, error), "no placement");
    coeval_pair_free(&pair);
    coeval_pair_options_free(&options);
    coeval_track_free(&quiet);
    coeval_track_free(&a);
    coeval_track_free(&b);
}

static void clock_maps(void) {
    coeval_knot knots[] = {{0.0, 10.0}, {5.0, 15.0}, {5.0, 15.5}, {10.0, 20.5}}, back[4];
    coeval_clock_map *map = NULL;
    CHECK_OK(coeval_clock_map_from_knots(knots, 4, &map, error), error);
    CHECK(coeval_clock_map_to_timeline(map, 6.0) == 16.5 && coeval_clock_map_to_file(map, 16.5) == 6.0);
    CHECK(coeval_clock_map_knots(map, back, 4) == 4 && memcmp(knots, back, sizeof back) == 0);
    coeval_clock_map_free(&map);
    CHECK_FAILS(coeval_clock_map_from_knots(knots, 1, &map, error), "two knots");
    CHECK_FAILS(coeval_clock_map_from_knots(NULL, 4, &map, error), "NULL");
    knots[1].timeline_s = (double)NAN;
    CHECK_FAILS(coeval_clock_map_from_knots(knots, 4, &map, error), "finite");
    CHECK_FAILS(coeval_clock_map_linear((double)INFINITY, 0.0, 1.0, &map, error), "clock");
    CHECK_FAILS(coeval_clock_map_linear(0.0, 0.0, 0.0, &map, error), "clock");
    CHECK(isnan(coeval_clock_map_to_timeline(NULL, 1.0)));
}

/* A source 1 s late: the output is 1 s of nothing, then the source to the sample, in whatever
 * blocks it is asked for. */
static void resampler(int planar, size_t ask) {
    enum { RATE = 48000 };
    static float source[2 * RATE], output[4 * RATE], present[2 * RATE];
    coeval_clock_map *map = NULL;
    coeval_resample_options *options = coeval_resample_options_new(RATE, RATE, 2, 2 * RATE);
    coeval_resampler *r = NULL;
    size_t frames = 0, done = 0, i;
    uint64_t wanted = 0;
    uint32_t state = 99;
    for (i = 0; i < 2 * RATE; i++) source[i] = noise(&state);
    memset(output, 0, sizeof output);
    CHECK_OK(coeval_clock_map_linear(1.0, 0.0, 1.0, &map, error), error);
    CHECK_FAILS(coeval_resample_options_set_start_s(options, (double)NAN, error), "start_s");
    CHECK_FAILS(coeval_resample_options_set_fade_s(options, -1.0, error), "fade_s");
    CHECK_FAILS(coeval_resampler_new(NULL, NULL, options, &r, error), "NULL");
    CHECK_FAILS(coeval_resampler_new(map, NULL, NULL, &r, error), "NULL");
    CHECK_OK(coeval_resampler_new(map, NULL, options, &r, error), error);
    coeval_clock_map_free(&map);
    coeval_resample_options_free(&options);
    CHECK(coeval_resampler_wants(r, NULL) == 0 && coeval_resampler_wants(NULL, &wanted) == 0);
    CHECK_FAILS(coeval_resampler_pull_interleaved(r, NULL, 10, NULL, &frames, error), "NULL");
    CHECK_FAILS(coeval_resampler_pull_interleaved(r, output, 10, NULL, NULL, error), "NULL");
    do {
        size_t room = 2 * RATE - done < ask ? 2 * RATE - done : ask;
        while (coeval_resampler_wants(r, &wanted)) {
            size_t from = wanted < RATE ? (size_t)wanted : RATE, n = RATE - from < 777 ? RATE - from : 777;
            if (n == 0)
                CHECK_OK(coeval_resampler_end_of_source(r, error), error);
            else if (planar) {
                float left[777], right[777];
                const float *planes[2];
                planes[0] = left;
                planes[1] = right;
                for (i = 0; i < n; i++) left[i] = source[2 * (from + i)], right[i] = source[2 * (from + i) + 1];
                CHECK_OK(coeval_resampler_push_planar(r, planes, n, error), error);
            } else
                CHECK_OK(coeval_resampler_push_interleaved(r, source + 2 * from, n, error), error);
        }
        if (planar) {
            float left[5000], right[5000], *planes[2];
            planes[0] = left;
            planes[1] = right;
            CHECK_OK(coeval_resampler_pull_planar(r, planes, room, present + done, &frames, error), error);
            for (i = 0; i < frames; i++) output[2 * (done + i)] = left[i], output[2 * (done + i) + 1] = right[i];
        } else
            CHECK_OK(coeval_resampler_pull_interleaved(r, output + 2 * done, room, present + done, &frames, error),
                     error);
        CHECK(frames <= room);
        done += frames;
    } while (frames > 0);
    CHECK(done == 2 * RATE);
    /* Before the source starts its band limit rings, some 100 frames long. */
    for (i = 0; i < 2 * (RATE - 200); i++) CHECK(output[i] == 0.0f);
    for (i = 0; i < 2 * RATE; i++) CHECK(output[2 * RATE + i] == source[i]);
    CHECK(present[RATE - 1] == 0.0f && present[RATE] == 1.0f && present[2 * RATE - 1] == 1.0f);
    CHECK_OK(coeval_resampler_pull_interleaved(r, output, 10, NULL, &frames, error), error);
    CHECK(frames == 0);
    coeval_resampler_free(&r);
}

/* Sound that arrives by itself, in blocks with a place: what is not wanted of it is passed over, a hole is refused. A seek
 * begins again without a new resampler, and the output ends where the source does. */
static void positioned(void) {
    enum { RATE = 48000, EACH = 1000 };
    static float source[4 * RATE], whole[4 * RATE], output[4 * RATE];
    const coeval_knot knots[] = {{0.0, 0.0}, {1.0, 1.0}, {1.0, 1.25}, {2.0, 2.25}, {2.0, 1.75}, {4.0, 3.75}};
    coeval_clock_map *map = NULL, *straight = NULL;
    coeval_resample_options *options = coeval_resample_options_new(RATE, RATE, 1, COEVAL_OPEN_END);
    coeval_resampler *r = NULL;
    const float *planes[1];
    uint64_t frame, at, last;
    size_t frames, done, i, rounds;
    uint32_t state = 99;
    int round, back = 0;
    for (i = 0; i < 4 * RATE; i++) source[i] = noise(&state);
    CHECK_OK(coeval_clock_map_from_knots(knots, 6, &map, error), error);
    CHECK_OK(coeval_clock_map_linear(0.0, 0.0, 4.0, &straight, error), error);
    CHECK_OK(coeval_resampler_new(map, NULL, options, &r, error), error);
    CHECK(coeval_resampler_available(r) == 0 && coeval_resampler_done(r) == 0);
    CHECK_FAILS(coeval_resampler_push_at_interleaved(r, 7, source, 10, error), "frame 0, which is wanted");
    CHECK_FAILS(coeval_resampler_push_at_interleaved(NULL, 0, source, 10, error), "NULL");
    CHECK_FAILS(coeval_resampler_push_at_planar(r, 0, NULL, 10, error), "NULL");
    CHECK_FAILS(coeval_resampler_reset(r, (double)NAN, error), "start_s");
    for (round = 0; round < 3; round++) {
        done = 0;
        for (at = 0; at <= 4 * RATE; at += EACH) {
            planes[0] = source + at;
            if (at == 4 * RATE)
                CHECK_OK(coeval_resampler_end_of_source(r, error), error);
            for (rounds = 0; rounds < 3; rounds++) {
                if (at == 4 * RATE)
                    frames = 0;
                else if (round == 1)
                    CHECK_OK(coeval_resampler_push_at_planar(r, at, planes, EACH, error), error);
                else
                    CHECK_OK(coeval_resampler_push_at_interleaved(r, at, source + at, EACH, error), error);
                if (coeval_resampler_available(r) > 0 && coeval_resampler_wants(r, &frame) == 0) {
                    CHECK_FAILS(coeval_resampler_push_at_interleaved(r, at + EACH, source, EACH, error), "wanted now");
                    CHECK_FAILS(coeval_resampler_push_interleaved(r, source, EACH, error), "wanted now");
                    CHECK_FAILS(coeval_resampler_push_planar(r, planes, EACH, error), "wanted now");
                }
                do {
                    const uint64_t least = coeval_resampler_available(r);
                    CHECK_OK(coeval_resampler_pull_interleaved(r, output + done, 700, NULL, &frames, error), error);
                    CHECK(frames == 700 || frames >= least);
                    done += frames;
                } while (frames > 0);
                if (coeval_resampler_wants(r, &frame) == 0 || frame >= at + EACH) break;
            }
        }
        CHECK(coeval_resampler_done(r) == 1 && coeval_resampler_available(r) == 0);
        CHECK_OK(coeval_resampler_push_at_interleaved(r, 0, source, EACH, error), error);
        /* The map ends at 3.75 s. */
        CHECK(done == (size_t)(3.75 * RATE));
        if (round == 0) memcpy(whole, output, sizeof whole);
        CHECK(memcmp(whole, output, done * sizeof *whole) == 0);
        CHECK_OK(coeval_resampler_reset(r, 0.0, error), error);
        CHECK(coeval_resampler_done(r) == 0 && coeval_resampler_wants(r, &frame) == 1 && frame == 0);
    }
    coeval_resampler_free(&r);

    /* Under a clip that wrote its second again, the source is wanted again: `wants` goes back. */
    coeval_clock_map_free(&map);
    CHECK_OK(coeval_clock_map_from_knots(
                 (const coeval_knot[]){{0.0, 0.0}, {2.0, 2.0}, {2.0, 1.0}, {4.0, 3.0}}, 4, &map, error), error);
    CHECK_OK(coeval_resampler_new(straight, map, options, &r, error), error);
    last = 0;
    done = 0;
    do {
        while (coeval_resampler_wants(r, &frame)) {
            back += frame < last;
            last = frame;
            if (frame >= 4 * RATE)
                CHECK_OK(coeval_resampler_end_of_source(r, error), error);
            else
                CHECK_OK(coeval_resampler_push_interleaved(
                             r, source + frame, frame + 500 > 4 * RATE ? (size_t)(4 * RATE - frame) : 500, error),
                         error);
        }
        CHECK_OK(coeval_resampler_pull_interleaved(r, output, 4096, NULL, &frames, error), error);
        done += frames;
    } while (frames > 0);
    CHECK(back == 1 && done == 5 * RATE);
    CHECK(coeval_resampler_latency_frames(NULL) == 0 && coeval_resampler_done(NULL) == 1);
    coeval_resampler_free(&r);
    coeval_clock_map_free(&map);
    coeval_clock_map_free(&straight);
    coeval_resample_options_free(&options);
}

/* Claps: noise that starts at once and dies away, over a little noise. */
static float with_claps(size_t n, uint32_t *state) {
    static const size_t at[] = {5 * 48000, 14 * 48000 + 4800, 31 * 48000};
    float x = noise(state) / 500.0f;
    size_t c;
    for (c = 0; c < 3; c++) {
        if (n >= at[c] && n < at[c] + 4800) x += noise(state) * (float)pow(0.998, (double)(n - at[c]));
    }
    return x;
}

static coeval_marker_detector *hear_claps(size_t skip, uint32_t seed) {
    coeval_marker_detector *detector = NULL;
    uint32_t common = 4242, own = seed;
    float block[4800];
    size_t done, i;
    CHECK_OK(coeval_marker_detector_new(48000.0, 1, NULL, &detector, error), error);
    for (done = 0; done < 45 * 48000; done += 4800) {
        for (i = 0; i < 4800; i++) block[i] = with_claps(done + i, &common) + noise(&own) / 500.0f;
        if (done < skip) continue;
        CHECK_OK(coeval_marker_detector_push_interleaved(detector, block, 4800, error), error);
    }
    CHECK_OK(coeval_marker_detector_end(detector, error), error);
    CHECK_FAILS(coeval_marker_detector_push_interleaved(detector, block, 4800, error), "ended");
    return detector;
}

static void markers(void) {
    coeval_marker_options *options = coeval_marker_options_new();
    coeval_marker_detector *a, *b;
    coeval_marker_match *match = NULL;
    coeval_marker_match_summary summary;
    coeval_marker_pair matched[3];
    coeval_marker marker;
    CHECK_FAILS(coeval_marker_options_set_min_peak_dbfs(options, (double)NAN, error), "min_peak_dbfs");
    CHECK_OK(coeval_marker_options_set_min_score(options, 0.0, error), error);
    CHECK_FAILS(coeval_marker_detector_new(100.0, 1, options, &a, error), "rate_hz");
    coeval_marker_options_free(&options);
    a = hear_claps(0, 5);
    b = hear_claps(2 * 48000, 6);
    CHECK(coeval_marker_detector_count(a) == 3 && coeval_marker_detector_count(b) == 3);
    marker.struct_size = sizeof marker;
    CHECK_OK(coeval_marker_detector_get(a, 1, &marker, error), error);
    CHECK(fabs(marker.time_s - 14.1) < 1e-3 && marker.shape == COEVAL_CLAP && marker.grouping == COEVAL_ISOLATED);
    CHECK(isnan(marker.count_in_interval_s));
    CHECK_FAILS(coeval_marker_detector_get(a, 3, &marker, error), "marker 3 of 3");
    CHECK_OK(coeval_marker_match_new(a, b, NULL, &match, error), error);
    summary.struct_size = sizeof summary;
    CHECK_OK(coeval_marker_match_get_summary(match, &summary, error), error);
    CHECK(summary.matched == 1 && fabs(summary.offset_s - 2.0) < 1e-3 && summary.pair_count == 3);
    CHECK(coeval_marker_match_pairs(match, matched, 3) == 3 && matched[2].a_index == 2 && matched[2].b_index == 2);
    coeval_marker_match_free(&match);
    coeval_marker_detector_free(&a);
    coeval_marker_detector_free(&b);
}

#define TIMECODE_FRAME 1920

/* Frame `n` of timecode of 25 fps from 10:00:00:00 on, by the bit layout of SMPTE ST 12-1; 24 samples a bit at 48 kHz. */
static void timecode_frame(int n, float *level, float block[TIMECODE_FRAME]) {
    static const int sync[16] = {0, 0, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 1, 0, 1};
    int bit, i, one;
    for (bit = 0; bit < 80; bit++) {
        one = bit >= 64 ? sync[bit - 64] : bit == 56;
        if (bit < 4) one = ((n % 25 % 10) >> bit) & 1;
        if (bit == 8 || bit == 9) one = ((n % 25 / 10) >> (bit - 8)) & 1;
        if (bit >= 16 && bit < 20) one = ((n / 25 % 10) >> (bit - 16)) & 1;
        if (bit >= 24 && bit < 27) one = ((n / 250) >> (bit - 24)) & 1;
        *level = -*level;
        for (i = 0; i < 24; i++) {
            if (i == 12 && one) *level = -*level;
            block[24 * bit + i] = *level;
        }
    }
}

static void timecode(void) {
    coeval_ltc_decoder *decoder = NULL;
    coeval_ltc_frame frame;
    float level = 0.25f, block[TIMECODE_FRAME];
    int n;
    CHECK_FAILS(coeval_ltc_decoder_new(8000.0, &decoder, error), "22050");
    CHECK_OK(coeval_ltc_decoder_new(48000.0, &decoder, error), error);
    for (n = 0; n < 30; n++) {
        timecode_frame(n, &level, block);
        CHECK_OK(coeval_ltc_decoder_push_interleaved(decoder, block, TIMECODE_FRAME, error), error);
    }
    CHECK_OK(coeval_ltc_decoder_end(decoder, error), error);
    CHECK_FAILS(coeval_ltc_decoder_push_interleaved(decoder, block, 80, error), "ended");
    CHECK(coeval_ltc_decoder_count(decoder) == 30 && coeval_ltc_decoder_count(NULL) == 0);
    frame.struct_size = sizeof frame;
    CHECK_OK(coeval_ltc_decoder_get(decoder, 29, &frame, error), error);
    CHECK(strcmp(frame.label, "10:00:01:04") == 0 && fabs(frame.start_s - 29 * 0.04) < 1e-4);
    CHECK(frame.hours == 10 && frame.seconds == 1 && frame.frames == 4 && frame.fps == 25 && frame.drop_frame == 0);
    CHECK_FAILS(coeval_ltc_decoder_get(decoder, 30, &frame, error), "frame 30 of 30");
    coeval_ltc_decoder_free(&decoder);
}

/* A square wave at full scale with a drop-out. */
static void levels(void) {
    coeval_level_meter *meter = NULL;
    coeval_level_report *report = NULL;
    coeval_level_summary summary;
    coeval_channel_level level;
    coeval_stretch stretch;
    float block[48000];
    size_t i;
    int32_t serious = 0;
    CHECK_FAILS(coeval_level_meter_new_hz(100.0, 1, &meter, error), "rate_hz");
    CHECK_OK(coeval_level_meter_new_hz(48000.0, 1, &meter, error), error);
    for (i = 0; i < 48000; i++) block[i] = i >= 20000 && i < 20480 ? 0.0f : (i / 24) % 2 ? 0.5f : -0.5f;
    CHECK_OK(coeval_level_meter_push_interleaved(meter, block, 48000, error), error);
    CHECK_OK(coeval_level_meter_finish(&meter, &report, error), error);
    CHECK(meter == NULL);
    summary.struct_size = sizeof summary;
    CHECK_OK(coeval_level_report_get_summary(report, &summary, error), error);
    CHECK(summary.channel_count == 1 && summary.duration_s == 1.0 && summary.dropout_count == 1);
    level.struct_size = sizeof level;
    CHECK_OK(coeval_level_report_get_channel(report, 0, &level, error), error);
    CHECK(fabs(level.sample_peak_dbfs + 6.0206) < 1e-3);
    CHECK_FAILS(coeval_level_report_get_channel(report, 1, &level, error), "channel 1 of 1");
    CHECK(coeval_level_report_stretches(report, COEVAL_DROPOUTS, &stretch, 1) == 1);
    CHECK(fabs(stretch.start_s - 20000.0 / 48000.0) < 1e-9 && fabs(stretch.length_s - 0.01) < 1e-9);
    CHECK(coeval_level_report_stretches(report, 99, &stretch, 1) == 0);
    CHECK(summary.advice_count > 0 && coeval_level_report_advice(report, 0, &serious) != NULL && serious == 1);
    CHECK(coeval_level_report_advice(report, summary.advice_count, NULL) == NULL);
    coeval_level_report_free(&report);
}

static void speech(void) {
    coeval_speech_builder *builder = NULL;
    coeval_speech_curve *curve = NULL;
    coeval_speech_options *options = coeval_speech_options_new();
    coeval_speech_segments *segments = NULL;
    coeval_speech_segment segment;
    static float values[900], block[200];
    const float *holed[2] = {NULL, NULL};
    size_t i;
    CHECK_FAILS(coeval_speech_builder_new(0.0, 1, &builder, error), "rate");
    CHECK_FAILS(coeval_speech_builder_new((double)NAN, 1, &builder, error), "rate");
    CHECK_FAILS(coeval_speech_builder_new(48000.0, 65, &builder, error), "channels");
    CHECK_FAILS(coeval_speech_builder_new(48000.0, 1, NULL, error), "NULL");
    CHECK_OK(coeval_speech_builder_new(16000.0, 2, &builder, error), error);
    CHECK_FAILS(coeval_speech_builder_push_interleaved(builder, NULL, 100, error), "NULL");
    CHECK_FAILS(coeval_speech_builder_push_interleaved(NULL, block, 100, error), "NULL");
    CHECK_FAILS(coeval_speech_builder_push_planar(builder, holed, 100, error), "NULL");
    for (i = 0; i < 200; i++) block[i] = i % 3 ? NAN : INFINITY;
    CHECK_OK(coeval_speech_builder_push_interleaved(builder, block, 100, error), error);
    CHECK_FAILS(coeval_speech_builder_finish(&builder, NULL, error), "NULL");
    CHECK_OK(coeval_speech_builder_finish(&builder, &curve, error), error);
    CHECK(builder == NULL && coeval_speech_curve_probability(curve, values, 900) == 1);
    CHECK(values[0] >= 0.0f && values[0] <= 1.0f);
    coeval_speech_curve_free(&curve);
    CHECK(curve == NULL && coeval_speech_curve_probability(curve, NULL, 0) == 0);

    /* From 1.5 to 3 s and from 6 to 7.5 s. */
    curve = hear_speech(9 * 48000);
    CHECK(coeval_speech_curve_probability(curve, values, 900) == 900 && COEVAL_SPEECH_STEP_S == 0.01);
    for (i = 0; i < 900; i++) CHECK(values[i] >= 0.0f && values[i] <= 1.0f);
    CHECK_OK(coeval_speech_curve_segments(curve, NULL, &segments, error), error);
    CHECK(coeval_speech_segments_count(segments) == 2);
    segment.struct_size = sizeof segment;
    CHECK_OK(coeval_speech_segments_get(segments, 1, &segment, error), error);
    CHECK(fabs(segment.start_s - 6.0) < 0.1 && fabs(segment.end_s - 7.5) < 0.1);
    CHECK(segment.confidence > 0.8 && segment.confidence <= 1.0 && segment.outside_band_db > -14.0);
    CHECK(coeval_speech_segments_origin(segments, 1, (double)NAN) == COEVAL_INTERCOM);
    CHECK_FAILS(coeval_speech_segments_get(segments, 2, &segment, error), "stretch 2 of 2");
    segment.struct_size = 8;
    CHECK_FAILS(coeval_speech_segments_get(segments, 0, &segment, error), "struct_size");
    CHECK(coeval_speech_segments_origin(segments, 2, 0.0) == -1);
    coeval_speech_segments_free(&segments);

    CHECK_OK(coeval_speech_options_set_thresholds(options, 0.5f, 0.9f, error), error);
    CHECK_FAILS(coeval_speech_curve_segments(curve, options, &segments, error), "leave is 0.9, above enter");
    CHECK_OK(coeval_speech_options_set_thresholds(options, 1.0f, NAN, error), error);
    CHECK_FAILS(coeval_speech_curve_segments(curve, options, &segments, error), "leave is NaN");
    CHECK_OK(coeval_speech_options_set_thresholds(options, 1.0f, 0.0f, error), error);
    CHECK_OK(coeval_speech_options_set_min_speech_s(options, -1.0, error), error);
    CHECK_FAILS(coeval_speech_curve_segments(curve, options, &segments, error), "min_speech_s");
    CHECK_OK(coeval_speech_options_set_min_speech_s(options, 0.1, error), error);
    CHECK_OK(coeval_speech_options_set_min_pause_s(options, (double)INFINITY, error), error);
    CHECK_FAILS(coeval_speech_curve_segments(curve, options, &segments, error), "min_pause_s");
    CHECK_OK(coeval_speech_options_set_min_pause_s(options, 0.3, error), error);
    CHECK_OK(coeval_speech_options_set_hang_over_s(options, 11.0, error), error);
    CHECK_FAILS(coeval_speech_curve_segments(curve, options, &segments, error), "hang_over_s");
    CHECK_FAILS(coeval_speech_curve_segments(NULL, NULL, &segments, error), "NULL");
    CHECK(segments == NULL && coeval_speech_segments_count(segments) == 0);
    coeval_speech_options_free(&options);
    coeval_speech_curve_free(&curve);
}

/* Three stretches: in the first a camera hears what the recorder has, in the second it hears
 * something else, in the third it does not run. */
static void shared_sound_of_two(void) {
    enum { STRETCH = 16000, ALL = 7 * STRETCH };
    static float probability[700], recorder[ALL], camera[ALL];
    coeval_speech_curve *curve = NULL;
    coeval_speech_segments *segments = NULL;
    coeval_shared_meter *meter = NULL;
    double shared[3] = {0.0, 0.0, 0.0};
    uint32_t voice = 5, hiss = 6, other = 7;
    size_t i;
    for (i = 0; i < ALL; i++) {
        const size_t second = i / STRETCH;
        const float spoken = second % 2 ? noise(&voice) : 0.0f;
        probability[i / 160] = second % 2 ? 0.9f : 0.1f;
        recorder[i] = spoken + noise(&hiss) / 64.0f;
        camera[i] = noise(&other) / 2.0f + (second == 1 ? spoken : 0.0f);
        if (second == 5) camera[i] = NAN;
    }
    probability[0] = 1.5f;
    CHECK_FAILS(coeval_speech_curve_from_values(probability, 700, &curve, error), "1.5");
    CHECK_FAILS(coeval_speech_curve_from_values(NULL, 700, &curve, error), "NULL");
    probability[0] = 0.1f;
    CHECK_OK(coeval_speech_curve_from_values(probability, 700, &curve, error), error);
    CHECK_OK(coeval_speech_curve_segments(curve, NULL, &segments, error), error);
    coeval_speech_curve_free(&curve);
    CHECK(coeval_speech_segments_count(segments) == 3);
    CHECK_FAILS(coeval_shared_meter_new(NULL, &meter, error), "NULL");
    CHECK_OK(coeval_shared_meter_new(segments, &meter, error), error);
    CHECK_FAILS(coeval_shared_meter_push(meter, recorder, NULL, 100, error), "NULL");
    CHECK_FAILS(coeval_shared_meter_push(NULL, recorder, camera, 100, error), "NULL");
    for (i = 0; i < ALL; i += 1000) CHECK_OK(coeval_shared_meter_push(meter, recorder + i, camera + i, 1000, error), error);
    CHECK_FAILS(coeval_shared_meter_finish(NULL, shared, 3, error), "NULL");
    CHECK_FAILS(coeval_shared_meter_finish(&meter, shared, 2, error), "room for 2");
    CHECK_FAILS(coeval_shared_meter_finish(&meter, NULL, 3, error), "NULL");
    CHECK(meter != NULL);
    CHECK_OK(coeval_shared_meter_finish(&meter, shared, 3, error), error);
    CHECK(meter == NULL);
    CHECK_FAILS(coeval_shared_meter_finish(&meter, shared, 3, error), "NULL");
    CHECK(shared[0] > 9.0 && shared[1] < 5.7 && isnan(shared[2]));
    CHECK(coeval_speech_segments_origin(segments, 0, shared[0]) == COEVAL_INTERCOM);
    CHECK(coeval_speech_segments_origin(segments, 1, shared[1]) == COEVAL_RADIO);
    coeval_speech_segments_free(&segments);
}

/* What is quiet comes out as it went in; what is loud, under the limit; nothing is lost. */
static void limiter(int planar) {
    enum { FRAMES = 9600 };
    static float sound[2 * FRAMES], left[FRAMES], right[FRAMES], output[2 * FRAMES], kept[2 * FRAMES];
    const float *planes[2];
    float *places[2];
    coeval_limiter *l = NULL;
    uint32_t state = 3;
    size_t frames = 0, done = 0, i;
    int loud;
    CHECK_FAILS(coeval_limiter_new(48000.0, 2, 1.0, &l, error), "limit_dbtp");
    CHECK_FAILS(coeval_limiter_new(100.0, 2, -1.0, &l, error), "rate_hz");
    CHECK_FAILS(coeval_limiter_new(48000.0, 0, -1.0, &l, error), "channels");
    for (loud = 0; loud < 2; loud++) {
        float peak = 0.0f;
        for (i = 0; i < FRAMES; i++) {
            left[i] = sound[2 * i] = noise(&state) * (loud ? 6.0f : 0.2f);
            right[i] = sound[2 * i + 1] = noise(&state) * 0.2f;
        }
        CHECK_OK(coeval_limiter_new(48000.0, 2, -6.0, &l, error), error);
        CHECK_FAILS(coeval_limiter_push_interleaved(l, NULL, 10, error), "NULL");
        CHECK_FAILS(coeval_limiter_pull_interleaved(l, NULL, 10, &frames, error), "NULL");
        CHECK_FAILS(coeval_limiter_pull_interleaved(l, output, 10, NULL, error), "NULL");
        for (i = 0, done = 0; i <= FRAMES; i += 800) {
            if (i == FRAMES)
                CHECK_OK(coeval_limiter_end(l, error), error);
            else if (planar) {
                planes[0] = left + i;
                planes[1] = right + i;
                CHECK_OK(coeval_limiter_push_planar(l, planes, 800, error), error);
            } else
                CHECK_OK(coeval_limiter_push_interleaved(l, sound + 2 * i, 800, error), error);
            do {
                if (planar) {
                    float a[300], b[300];
                    size_t k;
                    places[0] = a;
                    places[1] = b;
                    CHECK_OK(coeval_limiter_pull_planar(l, places, 300, &frames, error), error);
                    for (k = 0; k < frames; k++) output[2 * (done + k)] = a[k], output[2 * (done + k) + 1] = b[k];
                } else
                    CHECK_OK(coeval_limiter_pull_interleaved(l, output + 2 * done, 300, &frames, error), error);
                done += frames;
            } while (frames > 0);
        }
        CHECK(done == FRAMES);
        CHECK_OK(coeval_limiter_end(l, error), error);
        CHECK_FAILS(coeval_limiter_push_interleaved(l, sound, 10, error), "ended");
        coeval_limiter_free(&l);
        for (i = 0; i < 2 * FRAMES; i++) peak = output[i] > peak ? output[i] : peak;
        if (loud)
            /* -6 dB is 0.5012. */
            CHECK(peak > 0.3f && peak <= 0.5012f);
        else
            CHECK(memcmp(output, sound, sizeof sound) == 0);
    }
    /* The same sound by the other door comes out the same. */
    if (planar) CHECK(memcmp(output, kept, sizeof kept) == 0);
    memcpy(kept, output, sizeof kept);
}

static const char *ALIGNED =
    "{\"schema\": \"coeval.alignment/1\", \"generator\": {\"name\": \"x\", \"version\": \"1\"},"
    "\"timeline\": {\"clock\": \"rec-1\", \"duration_s\": 60.0}, \"pairs\": [], \"recordings\": [{\"id\": \"rec-1\","
    "\"kind\": \"recorder\", \"files\": [{\"path\": \"rec.wav\", \"status\": \"placed\", \"reason\": null,"
    "\"duration_s\": 60.0, \"confidence\": 1.0, \"uncertainty_s\": 0.001, \"offset_s\": 0.0, \"drift_ppm\": 0.0,"
    "\"knots\": [[0.0, 0.0], [60.0, 60.0]], \"jumps\": []}]}]}";
static const char *HEARD =
    "{\"schema\": \"coeval.speech/1\", \"placed\": [[\"rec.wav\", [[0.0, 0.0], [60.0, 60.0]]]],"
    "\"recorder\": \"rec-1\", \"voices\": ["
    "{\"start_s\": 10.0, \"end_s\": 14.0, \"origin\": \"intercom\", \"confidence\": 0.9,"
    "\"heard_by\": [[\"cam-a\", 12.5], [\"cam-b\", 3.0]]},"
    "{\"start_s\": 40.0, \"end_s\": 43.0, \"origin\": \"radio\", \"radio\": 0.97, \"confidence\": 0.8, \"heard_by\": []},"
    "{\"start_s\": 43.0, \"end_s\": 44.0, \"origin\": \"unknown\", \"radio\": 0.4, \"confidence\": 0.8, \"heard_by\": []}], \"events\": []}";

/* The whole timeline, stretch by stretch: how much of it is shown as it is. */
static double shown(const coeval_plan *plan, size_t *count, uint32_t *speed) {
    coeval_plan_entry entry;
    uint32_t num = 0, den = 0;
    int64_t at = 0, frames = 0;
    size_t i;
    CHECK_OK(coeval_plan_frame_rate(plan, &num, &den, error), error);
    *count = 0;
    *speed = 0;
    for (i = 0; i < coeval_plan_entry_count(plan); i++) {
        entry.struct_size = sizeof entry;
        CHECK_OK(coeval_plan_get_entry(plan, i, &entry, error), error);
        CHECK(entry.from_frame == at && entry.to_frame > at && entry.reason != NULL && entry.reason[0] != 0);
        CHECK((entry.fate == COEVAL_DROP) == (entry.shown_frames == 0) && (entry.fate == COEVAL_DROP) == (entry.speed == 0));
        at = entry.to_frame;
        if (entry.fate == COEVAL_SHOW) {
            CHECK(entry.speed == 1);
            ++*count;
        }
        if (entry.fate == COEVAL_PASS) *speed = entry.speed;
        frames += entry.shown_frames;
    }
    CHECK(fabs(coeval_plan_shown_s(plan) - (double)frames * den / num) < 1e-9);
    CHECK_FAILS(coeval_plan_get_entry(plan, i, &entry, error), "entry");
    return coeval_plan_shown_s(plan);
}

static void rough_cuts(void) {
    coeval_alignment *alignment = NULL, *other = NULL;
    coeval_voices *voices = NULL, *again = NULL;
    coeval_tighten_options *options = coeval_tighten_options_new();
    coeval_plan *plan = NULL, *read = NULL;
    coeval_voice voice;
    const double still_s[] = {0.0, 1.0}, backward_s[] = {1.0, 0.0};
    const float still[] = {0.0f, 0.0f};
    double shared = 0.0, all_s;
    uint32_t num, speed;
    size_t count;
    CHECK_OK(coeval_alignment_from_json(ALIGNED, &alignment, error), error);
    CHECK_OK(coeval_alignment_from_json("{\"schema\": \"coeval.alignment/1\", \"generator\": {\"name\": \"x\","
                                        "\"version\": \"1\"}, \"timeline\": {\"clock\": \"a\", \"duration_s\": 0},"
                                        "\"pairs\": [], \"recordings\": [{\"id\": \"a\", \"kind\": \"other\","
                                        "\"files\": []}]}",
                                        &other, error),
             error);
    CHECK_FAILS(coeval_voices_from_json(HEARD, other, &voices, error), "not a speech map of this alignment");
    CHECK_FAILS(coeval_voices_from_json("{}", alignment, &voices, error), "not a speech map");
    CHECK_FAILS(coeval_voices_from_json(NULL, alignment, &voices, error), "NULL");
    CHECK_OK(coeval_voices_from_json(HEARD, alignment, &voices, error), error);
    CHECK(strcmp(coeval_voices_recorder(voices), "rec-1") == 0 && coeval_voices_count(voices) == 3);
    voice.struct_size = sizeof voice;
    CHECK_OK(coeval_voices_get(voices, 0, &voice, error), error);
    CHECK(voice.start_s == 10.0 && voice.end_s == 14.0 && voice.confidence == 0.9);
    CHECK(voice.origin == COEVAL_INTERCOM && voice.camera_count == 2 && isnan(voice.radio));
    CHECK(strcmp(coeval_voices_camera(voices, 0, 0, &shared), "cam-a") == 0 && shared == 12.5);
    CHECK(coeval_voices_camera(voices, 0, 2, &shared) == NULL && isnan(shared));
    CHECK(coeval_voices_camera(voices, 3, 0, NULL) == NULL && coeval_voices_camera(NULL, 0, 0, NULL) == NULL);
    CHECK_OK(coeval_voices_get(voices, 1, &voice, error), error);
    CHECK(voice.origin == COEVAL_RADIO && voice.camera_count == 0 && voice.radio == 0.97);
    CHECK_OK(coeval_voices_get(voices, 2, &voice, error), error);
    CHECK(voice.origin == COEVAL_UNKNOWN_ORIGIN && voice.radio == 0.4);
    CHECK_FAILS(coeval_voices_get(voices, 3, &voice, error), "voice 3 of 3");
    CHECK_OK(coeval_voices_from_json(coeval_voices_to_json(voices), alignment, &again, error), error);
    CHECK(strcmp(coeval_voices_to_json(again), coeval_voices_to_json(voices)) == 0);
    coeval_voices_free(&again);
    CHECK(again == NULL && coeval_voices_to_json(again) == NULL && coeval_voices_count(again) == 0);
    CHECK(failed_with(coeval_alignment_hear(alignment, "no/such/folder", 0, NULL, NULL, &again, error), COEVAL_NO_SOUND,
                      "sound"));
    CHECK_FAILS(coeval_alignment_hear(alignment, ".", 2, NULL, NULL, &again, error), "neither");
    CHECK_FAILS(coeval_alignment_hear(NULL, ".", 0, NULL, NULL, &again, error), "NULL");

    CHECK_FAILS(coeval_tighten(other, voices, NULL, &plan, error), "not of this alignment");
    CHECK_FAILS(coeval_tighten(alignment, NULL, NULL, &plan, error), "NULL");
    CHECK_OK(coeval_tighten(alignment, voices, NULL, &plan, error), error);
    all_s = shown(plan, &count, &speed);
    /* Both voices, 7 s, with room about them. */
    CHECK(count == 2 && speed == 0 && all_s > 7.0 && all_s < 12.0);
    CHECK(coeval_plan_note(plan, 0) == NULL);
    CHECK_OK(coeval_plan_from_json(coeval_plan_to_json(plan), &read, error), error);
    CHECK(strcmp(coeval_plan_to_json(plan), coeval_plan_to_json(read)) == 0);
    CHECK(shown(read, &count, &speed) == all_s && count == 2 && coeval_plan_to_json(NULL) == NULL);
    coeval_plan_free(&read);
    CHECK(failed_with(coeval_plan_from_json("[]", &read, error), COEVAL_DAMAGED, "not a plan"));
    CHECK(failed_with(coeval_plan_from_json("{\"schema\": \"coeval.plan/1\", \"plan\": {\"frame_rate\": [25, 1], \"entries\":"
                                            "[{\"from\": 5, \"to\": 5, \"fate\": \"show\", \"camera\": null, \"dissolve\": 0,"
                                            "\"reason\": \"\"}], \"notes\": []}}",
                                            &read, error),
                      COEVAL_DAMAGED, "no length"));
    CHECK_FAILS(coeval_plan_frame_rate(plan, &num, NULL, error), "NULL");
    coeval_plan_free(&plan);
    CHECK(isnan(coeval_plan_shown_s(plan)) && coeval_plan_entry_count(plan) == 0);

    CHECK_OK(coeval_tighten_options_set_keep_radio(options, 0, error), error);
    CHECK_OK(coeval_tighten_options_add_event(options, 55.0, 55.5, "a buoy is passed", error), error);
    CHECK_OK(coeval_tighten_options_set_pass(options, 20.0, 10, error), error);
    CHECK_OK(coeval_tighten(alignment, voices, options, &plan, error), error);
    /* From the first voice to the unknown one, which stays, there are 29 s of dead air. */
    CHECK(shown(plan, &count, &speed) > 5.0 && count == 3 && speed == 10);
    coeval_plan_free(&plan);
    CHECK_OK(coeval_tighten_options_set_pass(options, 0.0, 0, error), error);
    CHECK_OK(coeval_tighten_options_add_protected(options, 0.0, 60.0, error), error);
    CHECK_OK(coeval_tighten_options_set_target_s(options, 5.0, error), error);
    CHECK_OK(coeval_tighten(alignment, voices, options, &plan, error), error);
    CHECK(fabs(shown(plan, &count, &speed) - 60.0) < 0.1 && coeval_plan_note(plan, 0) != NULL);
    coeval_plan_free(&plan);
    CHECK_FAILS(coeval_tighten_options_set_keep_radio(options, 5, error), "neither");
    CHECK_FAILS(coeval_tighten_options_add_event(options, 1.0, 2.0, NULL, error), "NULL");
#define CHECK_REFUSED(set, word)                                                       \
    do {                                                                               \
        coeval_tighten_options_free(&options);                                         \
        options = coeval_tighten_options_new();                                        \
        CHECK_OK(set, error);                                                          \
        CHECK_FAILS(coeval_tighten(alignment, voices, options, &plan, error), word);   \
    } while (0)
    CHECK_REFUSED(coeval_tighten_options_set_pause_s(options, -1.0, error), "pause_s");
    CHECK_REFUSED(coeval_tighten_options_set_handle_s(options, (double)NAN, error), "handle_s");
    CHECK_REFUSED(coeval_tighten_options_set_dead_s(options, 1e9, error), "dead_s");
    CHECK_REFUSED(coeval_tighten_options_set_min_shot_s(options, -1.0, error), "min_shot_s");
    CHECK_REFUSED(coeval_tighten_options_set_dissolve_s(options, 6.0, error), "dissolve_s");
    CHECK_REFUSED(coeval_tighten_options_set_target_s(options, (double)NAN, error), "target_s");
    CHECK_REFUSED(coeval_tighten_options_set_pass(options, 5.0, 1000, error), "pass_speed");
    CHECK_REFUSED(coeval_tighten_options_add_protected(options, 2.0, 1.0, error), "no length");
    CHECK_REFUSED(coeval_tighten_options_add_event(options, 2.0, 1.0, "x", error), "no length");
    CHECK_REFUSED(coeval_tighten_options_add_seen(options, 0.0, 9.0, "rec-1", error), "no camera called");
    CHECK_FAILS(coeval_tighten_options_add_seen(options, 0.0, 9.0, NULL, error), "NULL");
    CHECK_REFUSED(coeval_tighten_options_add_motion(options, "NONE.MOV", still_s, still, 2, error), "no placed file");
    CHECK_FAILS(coeval_tighten_options_add_motion(options, "A.MOV", still_s, NULL, 2, error), "NULL");
    CHECK_FAILS(coeval_tighten_options_add_motion(options, "A.MOV", backward_s, still, 2, error), "ascend");
    CHECK_FAILS(coeval_tighten_options_set_keep_events(options, 2, error), "neither");
    CHECK(plan == NULL);
    coeval_tighten_options_free(&options);
    coeval_voices_free(&voices);
    coeval_alignment_free(&other);
    coeval_alignment_free(&alignment);
}

/* A rough cut as sound: what is said of it is what was asked for, and the file is as long as the cut. */
static void sound_of_the_cut(const coeval_plan *plan, const coeval_alignment *alignment, const coeval_voices *voices,
                             const char *folder) {
    const char *file = "coeval-interface-mix.wav";
    coeval_mix_options *options = coeval_mix_options_new();
    coeval_rendered rendered;
    char over[1024];
    FILE *written;
    long bytes;
    int calls = 0;
    remove(file);
    snprintf(over, sizeof over, "%s/CAM-A_0009.MP4", folder);
    rendered.struct_size = sizeof rendered;
    CHECK_OK(coeval_mix_options_set_loudness(options, -18.0, -2.0, error), error);
    CHECK_OK(coeval_mix_options_set_camera(options, -9.0, -15.0, error), error);
    CHECK_OK(coeval_mix_options_add_voice_over(options, over, 10.0, error), error);
    CHECK(failed_with(coeval_plan_render(plan, alignment, voices, folder, options, file, stop_at_once, &calls, &rendered,
                                         error),
                      COEVAL_CANCELLED, ""));
    CHECK(fopen(file, "rb") == NULL);
    CHECK_OK(coeval_plan_render(plan, alignment, voices, folder, options, file, go_on, &calls, &rendered, error), error);
    CHECK(calls > 2 && fabs(rendered.loudness_lufs + 18.0) < 0.1 && rendered.true_peak_dbtp <= -2.0);
    CHECK(fabs(rendered.duration_s - coeval_plan_shown_s(plan)) < 1e-4);
    written = fopen(file, "rb");
    CHECK(written != NULL && fseek(written, 0, SEEK_END) == 0);
    bytes = ftell(written);
    fclose(written);
    CHECK(fabs((double)bytes - 6.0 * 48000.0 * rendered.duration_s) < 1000.0);
    CHECK(failed_with(coeval_plan_render(plan, alignment, voices, folder, options, file, NULL, NULL, NULL, error),
                      COEVAL_OUTPUT_EXISTS, file));
    CHECK_OK(coeval_mix_options_set_replace(options, 1, error), error);
    CHECK_OK(coeval_mix_options_set_voice_only(options, 1, error), error);
    CHECK_OK(coeval_plan_render(plan, alignment, voices, folder, options, file, NULL, NULL, NULL, error), error);
    remove(file);
    rendered.struct_size = 3;
    CHECK_FAILS(coeval_plan_render(plan, alignment, voices, folder, options, file, NULL, NULL, &rendered, error),
                "struct_size");
    CHECK_FAILS(coeval_plan_render(plan, alignment, NULL, folder, options, file, NULL, NULL, NULL, error), "NULL");
    CHECK_FAILS(coeval_plan_render(NULL, alignment, voices, folder, options, file, NULL, NULL, NULL, error), "NULL");
    CHECK_FAILS(coeval_plan_render(plan, alignment, voices, NULL, options, file, NULL, NULL, NULL, error), "NULL");
    CHECK_FAILS(coeval_mix_options_add_voice_over(options, NULL, 1.0, error), "NULL");
    CHECK_FAILS(coeval_mix_options_set_allow_ffmpeg(options, 7, error), "neither");
#define CHECK_NO_SOUND(set, word)                                                                                      \
    do {                                                                                                               \
        coeval_mix_options_free(&options);                                                                             \
        options = coeval_mix_options_new();                                                                            \
        CHECK_OK(set, error);                                                                                          \
        CHECK_FAILS(coeval_plan_render(plan, alignment, voices, folder, options, file, NULL, NULL, NULL, error), word); \
    } while (0)
    CHECK_NO_SOUND(coeval_mix_options_set_loudness(options, -3.0, -1.0, error), "loudness");
    CHECK_NO_SOUND(coeval_mix_options_set_loudness(options, -14.0, (double)NAN, error), "true_peak_dbtp");
    CHECK_NO_SOUND(coeval_mix_options_set_camera(options, 99.0, -1.0, error), "camera_db");
    CHECK_NO_SOUND(coeval_mix_options_set_camera(options, 0.0, 1.0, error), "duck_db");
    CHECK_NO_SOUND(coeval_mix_options_add_voice_over(options, over, -1.0, error), "voice-over");
    CHECK(fopen(file, "rb") == NULL);
    coeval_mix_options_free(&options);
    CHECK(options == NULL);
}

/* Which camera is seen is the caller's word, and where a picture moves is kept. */
static void picture_in_the_cut(const coeval_alignment *alignment, const coeval_voices *voices) {
    static double times_s[1300];
    static float motion[1300];
    coeval_tighten_options *options = coeval_tighten_options_new();
    coeval_plan *plan = NULL;
    coeval_plan_entry entry;
    size_t i, bow = 0, moving = 0, claps = 0;
    uint32_t state = 5;
    for (i = 0; i < 1300; i++) {
        times_s[i] = 0.04 * (double)i;
        motion[i] = (i >= 750 && i < 850 ? 9.0f : 1.0f) + 0.01f * noise(&state);
    }
    CHECK_OK(coeval_tighten_options_add_seen(options, 0.0, 300.0, "bow", error), error);
    CHECK_OK(coeval_tighten_options_add_motion(options, "CAM-A_0019.MP4", times_s, motion, 1300, error), error);
    CHECK_OK(coeval_tighten_options_set_keep_events(options, 0, error), error);
    CHECK_OK(coeval_tighten(alignment, voices, options, &plan, error), error);
    entry.struct_size = sizeof entry;
    for (i = 0; i < coeval_plan_entry_count(plan); i++) {
        CHECK_OK(coeval_plan_get_entry(plan, i, &entry, error), error);
        bow += entry.camera != NULL && strcmp(entry.camera, "bow") == 0;
        moving += strstr(entry.reason, "moving picture (CAM-A_0019.MP4)") != NULL;
        claps += strstr(entry.reason, "clap") != NULL;
    }
    CHECK(bow > 3 && moving > 0 && claps == 0);
    coeval_plan_free(&plan);
    coeval_tighten_options_free(&options);
}

/* What a card really holds: the same bytes twice, and what is not wanted. The contract's text is the command's own. */
static void cards(const char *folder) {
    static const char copied[] =
        "{\"schema\": \"coeval.alignment/1\", \"generator\": {\"name\": \"coeval\", \"version\": \"0\"},"
        "\"timeline\": {\"clock\": \"left\", \"duration_s\": 0.0}, \"pairs\": [], \"recordings\": [{\"id\": \"left\","
        "\"kind\": \"recorder\", \"files\": [{\"path\": \"b/left.wav\", \"status\": \"unplaced\", \"reason\": \"a copy\","
        "\"duration_s\": 1.0, \"confidence\": null, \"uncertainty_s\": null, \"offset_s\": null, \"drift_ppm\": null,"
        "\"knots\": [], \"jumps\": [], \"copy_of\": \"left.wav\"}]}]}";
    coeval_shoot *shoot = coeval_shoot_new();
    coeval_alignment *alignment = NULL;
    size_t i;
    CHECK_OK(coeval_alignment_from_json(copied, &alignment, error), error);
    CHECK(strcmp(coeval_alignment_file_copy_of(alignment, 0), "left.wav") == 0);
    CHECK(coeval_alignment_file_copy_of(alignment, 1) == NULL);
    coeval_alignment_free(&alignment);
    CHECK_OK(coeval_shoot_add_path(shoot, folder, error), error);
    CHECK_OK(coeval_shoot_exclude(shoot, "CAM-A_0009.MP4", error), error);
    CHECK_OK(coeval_shoot_exclude(shoot, "CAM-B_*", error), error);
    CHECK_OK(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), error);
    CHECK(coeval_alignment_file_count(alignment) == 4 && coeval_alignment_recording_count(alignment) == 2);
    for (i = 0; i < 2; i++) {
        const char *id = coeval_alignment_recording_id(alignment, i);
        CHECK(strcmp(id, "cam-a") == 0 || strcmp(id, "rec-1") == 0);
    }
    coeval_alignment_free(&alignment);
    CHECK_OK(coeval_shoot_exclude(shoot, "NO_SUCH_*", error), error);
    CHECK_FAILS(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), "matches no file");
    coeval_shoot_free(&shoot);
}

/* Several tracks of one recorder: files that it wrote at once, one of them with a channel on which nothing happens and one of
 * timecode; and a clip's own sound. */
static void tracks_of_one_recorder(void) {
#define FILE_OF(path, more)                                                                                            \
    "{\"path\": \"" path "\", \"status\": \"placed\", \"reason\": null, \"duration_s\": 1.0, \"confidence\": 1.0,"             \
    "\"uncertainty_s\": 0.0, \"offset_s\": 0.0, \"drift_ppm\": 0.0, \"knots\": [[0, 0], [1, 1]], \"jumps\": []," more "}"
    static const char text[] =
        "{\"schema\": \"coeval.alignment/1\", \"generator\": {\"name\": \"coeval\", \"version\": \"0\"},"
        "\"timeline\": {\"clock\": \"rec\", \"duration_s\": 1.0}, \"pairs\": [], \"recordings\": [{\"id\": \"rec\","
        "\"kind\": \"recorder\", \"files\": ["
        FILE_OF("Tr1.wav", "\"sound\": {\"codec\": \"PCM\", \"rate_hz\": 48000, \"channels\": 4}, \"compared\": [2, 4],"
                           "\"ixml\": {\"tracks\": [\"Mix\", \"Boom\", \"\", \"Lav\"]}, \"ltc\": {\"channel\": 3,"
                           "\"first\": \"10:00:00:00\", \"first_s\": 0.0, \"rate\": [25, 1], \"frames\": 24}") ","
        FILE_OF("Tr2.wav", "\"sound\": {\"codec\": \"PCM\", \"rate_hz\": 48000, \"channels\": 1}, \"compared\": [],"
                           "\"track_of\": \"Tr1.wav\"") ","
        FILE_OF("V1.wav", "\"sound\": {\"codec\": \"PCM\", \"rate_hz\": 48000, \"channels\": 2},"
                          "\"better_sound_of\": \"V1.mp4\"") "]}]}";
#undef FILE_OF
    coeval_alignment *alignment = NULL;
    size_t channels[4] = {9, 9, 9, 9};
    CHECK_OK(coeval_alignment_from_json(text, &alignment, error), error);
    CHECK(coeval_alignment_file_track_of(alignment, 0) == NULL);
    CHECK(strcmp(coeval_alignment_file_track_of(alignment, 1), "Tr1.wav") == 0);
    CHECK(coeval_alignment_file_better_sound_of(alignment, 1) == NULL);
    CHECK(strcmp(coeval_alignment_file_better_sound_of(alignment, 2), "V1.mp4") == 0);
    CHECK(coeval_alignment_file_channels(alignment, 0, channels, 1) == 2 && channels[0] == 1 && channels[1] == 9);
    CHECK(coeval_alignment_file_channels(alignment, 0, channels, 4) == 2 && channels[1] == 3 && channels[2] == 9);
    CHECK(coeval_alignment_file_channels(alignment, 1, channels, 4) == 0);
    CHECK(coeval_alignment_file_channels(alignment, 2, NULL, 0) == 2);
    CHECK(coeval_alignment_file_channels(alignment, 3, channels, 4) == 0);
    CHECK(strcmp(coeval_alignment_file_track_name(alignment, 0, 1), "Boom") == 0);
    CHECK(strcmp(coeval_alignment_file_track_name(alignment, 0, 2), "") == 0);
    CHECK(coeval_alignment_file_track_name(alignment, 0, 4) == NULL);
    CHECK(coeval_alignment_file_track_name(alignment, 2, 0) == NULL);
    CHECK(coeval_alignment_file_track_of(alignment, 3) == NULL && coeval_alignment_file_channels(NULL, 0, NULL, 0) == 0);
    coeval_alignment_free(&alignment);
}

/* Files as a card holds them: sound beside timecode, the same once more, and two tracks that a recorder wrote at once 4 s
 * later, of which nothing is heard on the first. */
static void card_of_files(void) {
    static const char *const names[] = {"coeval-bow.wav", "coeval-bow-copy.wav", "coeval-take_Tr1.wav", "coeval-take_Tr2.wav"};
    const size_t frames = 30 * 48000, later = 4 * 48000;
    coeval_shoot *shoot = coeval_shoot_new();
    coeval_alignment *alignment = NULL;
    coeval_file file;
    size_t i, k, f, placed = 0, channels[2];
    for (f = 0; f < 4; f++) {
        FILE *out = begin_wav(names[f], f < 2 ? 2 : 1, frames);
        uint32_t common = 2463534242u, own = f < 2 ? 51 : 51 + (uint32_t)f;
        float level = 0.25f, block[TIMECODE_FRAME];
        for (i = 0; f >= 2 && i < later; i++) shared_sound(&common, i);
        for (i = 0; i < frames; i++) {
            float shared = shared_sound(&common, (f < 2 ? 0 : later) + i);
            write_sample(out, ((f == 2 ? 0.0f : shared) + noise(&own) / 4.0f) / 2.0f);
            if (f >= 2) continue;
            if (i % TIMECODE_FRAME == 0) timecode_frame((int)(i / TIMECODE_FRAME), &level, block);
            write_sample(out, block[i % TIMECODE_FRAME]);
        }
        CHECK(fclose(out) == 0);
        CHECK_OK(coeval_shoot_add_path(shoot, names[f], error), error);
    }
    CHECK_OK(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), error);
    CHECK(coeval_alignment_file_count(alignment) == 4 && coeval_alignment_recording_count(alignment) == 2);
    file.struct_size = sizeof file;
    for (f = 0; f < 4; f++) {
        const char *path = coeval_alignment_file_path(alignment, f);
        const char *copy = coeval_alignment_file_copy_of(alignment, f), *track = coeval_alignment_file_track_of(alignment, f);
        for (k = 0; strcmp(path, names[k]) != 0; k++) CHECK(k < 3);
        CHECK_OK(coeval_alignment_get_file(alignment, f, &file, error), error);
        placed += (size_t)file.placed;
        CHECK(k == 1 ? copy != NULL && strcmp(copy, names[0]) == 0 : copy == NULL && file.placed == 1);
        CHECK(k == 3 ? track != NULL && strcmp(track, names[2]) == 0 : track == NULL);
        if (k == 0) CHECK(coeval_alignment_file_channels(alignment, f, channels, 2) == 1 && channels[0] == 0);
        if (k >= 2) CHECK(fabs(file.offset_s - 4.0) < 1e-3);
    }
    CHECK(placed == 3 && strstr(coeval_alignment_to_json(alignment), "10:00:00:00") != NULL);
    coeval_alignment_free(&alignment);
    coeval_shoot_free(&shoot);
    for (f = 0; f < 4; f++) remove(names[f]);
}

/* The demo of the survey launch, from its files: two cameras, a recorder, and a clip from another day. */
static void demo(const char *folder) {
    coeval_shoot *shoot = coeval_shoot_new();
    coeval_alignment *alignment = NULL;
    coeval_voices *voices = NULL;
    coeval_plan *plan = NULL;
    coeval_file file;
    size_t i, placed = 0;
    uint32_t speed;
    int calls = 0;
    double second_s = NAN, third_s = NAN;
    CHECK_OK(coeval_shoot_add_path(shoot, folder, error), error);
    CHECK_OK(coeval_shoot_set_recording(shoot, "bow", "CAM-B_*", error), error);
    CHECK_OK(coeval_shoot_set_kind(shoot, "bow", COEVAL_CAMERA, error), error);
    CHECK_FAILS(coeval_shoot_set_distance(shoot, "bow", -1.0, error), "within 0 to 1000");
    CHECK_OK(coeval_shoot_set_distance(shoot, "bow", 0.0, error), error);
    CHECK_FAILS(coeval_shoot_set_trusted_times(shoot, NAN, error), "not a number of seconds");
    CHECK_OK(coeval_shoot_set_trusted_times(shoot, 5.0, error), error);
    CHECK_OK(coeval_shoot_set_trusted_times(shoot, -1.0, error), error);
    CHECK_OK(coeval_shoot_set_in_depth_h(shoot, 10.0, error), error);
    CHECK_OK(coeval_shoot_set_main(shoot, "CAM-A_0017.MP4", error), error);
    CHECK_FAILS(coeval_shoot_exclude(shoot, NULL, error), "NULL");
    CHECK_OK(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), error);
    CHECK(coeval_alignment_file_count(alignment) == 7);
    for (i = 0; i < 7; i++) {
        const char *path = coeval_alignment_file_path(alignment, i);
        file.struct_size = sizeof file;
        CHECK_OK(coeval_alignment_get_file(alignment, i, &file, error), error);
        placed += (size_t)file.placed;
        CHECK((coeval_alignment_file_reason(alignment, i) == NULL) == (file.placed == 1));
        CHECK(coeval_alignment_file_copy_of(alignment, i) == NULL);
        CHECK((strcmp(path, "CAM-A_0009.MP4") == 0) == (file.placed == 0));
        if (strcmp(path, "CAM-A_0018.MP4") == 0) second_s = file.offset_s;
        if (strcmp(path, "CAM-A_0019.MP4") == 0) third_s = file.offset_s;
        if (strncmp(path, "CAM-B_", 6) == 0)
            CHECK(strcmp(coeval_alignment_recording_id(alignment, file.recording), "bow") == 0);
    }
    CHECK(placed == 6);
    /* truth.json of the demo: they start at 68.04 and 136.04 s. */
    CHECK(fabs(third_s - second_s - 68.0) < 2e-3);
    CHECK_OK(coeval_shoot_set_recording(shoot, "none", "NO_SUCH_*", error), error);
    CHECK(failed_with(coeval_alignment_hear(alignment, folder, 0, stop_at_once, &calls, &voices, error), COEVAL_CANCELLED,
                      ""));
    CHECK_OK(coeval_alignment_hear(alignment, folder, 0, go_on, &calls, &voices, error), error);
    CHECK(calls > 2 && strcmp(coeval_voices_recorder(voices), "rec-1") == 0 && coeval_voices_count(voices) > 2);
    CHECK_OK(coeval_tighten(alignment, voices, NULL, &plan, error), error);
    CHECK(shown(plan, &placed, &speed) < coeval_alignment_duration_s(alignment) && placed > 0);
    sound_of_the_cut(plan, alignment, voices, folder);
    picture_in_the_cut(alignment, voices);
    coeval_plan_free(&plan);
    coeval_voices_free(&voices);
    coeval_alignment_free(&alignment);
    CHECK_FAILS(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), "NO_SUCH_");
    coeval_shoot_free(&shoot);
}

static void shoots(void) {
    coeval_shoot *shoot = coeval_shoot_new();
    coeval_alignment *alignment = NULL, *again = NULL;
    coeval_track *camera = make_track(48000.0, 0, 20 * 48000, 21), *recorder = make_track(44100.0, 96000, 661500, 22);
    coeval_clock_map *map = NULL;
    coeval_recording_pair pair;
    coeval_anchor_check anchor;
    coeval_file file;
    coeval_knot knot;
    coeval_track_free(&recorder);
    recorder = make_track(48000.0, 96000, 14 * 48000, 22);
    CHECK_FAILS(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), "no folder");
    CHECK_FAILS(coeval_shoot_add_path(shoot, NULL, error), "NULL");
    CHECK_FAILS(coeval_shoot_add_track(shoot, "CAM_A_001", "cam-a", 7, &camera, error), "coeval_kind");
    CHECK_FAILS(coeval_shoot_add_track(shoot, "\xff", "cam-a", COEVAL_CAMERA, &camera, error), "UTF-8");
    CHECK(camera != NULL);
    CHECK_FAILS(coeval_shoot_set_allow_ffmpeg(shoot, 2, error), "neither");
    CHECK_FAILS(coeval_shoot_set_picture(shoot, 2, error), "neither");
    CHECK_OK(coeval_shoot_set_picture(shoot, 1, error), error);
    CHECK_FAILS(coeval_shoot_set_photos(shoot, -1, error), "neither");
    CHECK_FAILS(coeval_shoot_set_threads(shoot, 100000, error), "threads");
    CHECK_OK(coeval_shoot_set_threads(shoot, 1, error), error);
    CHECK_FAILS(coeval_shoot_set_cache(shoot, "\xff", error), "UTF-8");
    CHECK_OK(coeval_shoot_set_cache(shoot, "kept", error), error);
    CHECK_OK(coeval_shoot_set_cache(shoot, NULL, error), error);
    CHECK_OK(coeval_shoot_add_track(shoot, "CAM_A_001", "cam-a", COEVAL_CAMERA, &camera, error), error);
    CHECK_OK(coeval_shoot_add_track(shoot, "REC_001", "rec-1", COEVAL_RECORDER, &recorder, error), error);
    CHECK(camera == NULL && recorder == NULL);
    CHECK_FAILS(coeval_shoot_add_track(shoot, "REC_001", "rec-1", COEVAL_RECORDER, &recorder, error), "NULL");
    CHECK_OK(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), error);
    CHECK(strcmp(coeval_alignment_clock(alignment), "cam-a") == 0);
    CHECK(coeval_alignment_duration_s(alignment) >= 20.0 - 1e-9);
    CHECK(coeval_alignment_recording_count(alignment) == 2 && coeval_alignment_file_count(alignment) == 2);
    CHECK(strcmp(coeval_alignment_recording_id(alignment, 1), "rec-1") == 0);
    CHECK(coeval_alignment_recording_kind(alignment, 1) == COEVAL_RECORDER);
    CHECK(strcmp(coeval_alignment_file_path(alignment, 1), "REC_001") == 0);
    CHECK(coeval_alignment_file_reason(alignment, 1) == NULL);
    file.struct_size = sizeof file;
    CHECK_OK(coeval_alignment_get_file(alignment, 1, &file, error), error);
    CHECK(file.placed == 1 && file.recording == 1 && fabs(file.offset_s - 2.0) < 20e-6);
    CHECK(coeval_alignment_file_knots(alignment, 1, &knot, 1) == file.knot_count);
    CHECK(knot.file_s == 0.0 && knot.timeline_s == file.offset_s);
    CHECK(coeval_alignment_file_jumps(alignment, 1, NULL, 0) == 0);
    CHECK_OK(coeval_alignment_file_clock_map(alignment, 1, &map, error), error);
    coeval_clock_map_free(&map);
    CHECK(coeval_alignment_pair_count(alignment) == 1);
    pair.struct_size = sizeof pair;
    CHECK_OK(coeval_alignment_get_pair(alignment, 0, &pair, error), error);
    CHECK(strcmp(pair.a, "cam-a") == 0 && strcmp(pair.b, "rec-1") == 0 && pair.evidence_count > 2);
    CHECK_FAILS(coeval_alignment_get_file(alignment, 1000, &file, error), "file 1000");
    CHECK(coeval_alignment_file_path(alignment, 1000) == NULL);
    CHECK(coeval_alignment_recording_id(alignment, 1000) == NULL);
    CHECK(coeval_alignment_anchor_count(alignment) == 0);
    anchor.struct_size = sizeof anchor;
    CHECK_FAILS(coeval_alignment_get_anchor(alignment, 0, &anchor, error), "no anchor");
    CHECK_FAILS(coeval_shoot_add_anchor(shoot, "CAM_A_001", "soon", "REC_001", "3.0", 0, 0.0, error), "is not a time");
    CHECK_FAILS(coeval_shoot_add_anchor(shoot, "CAM_A_001", "7.0", "REC_001", "3.0", 2, 0.0, error), "neither");
    /* It starts 2 s late; this says 4 s. */
    CHECK_OK(coeval_shoot_add_anchor(shoot, "CAM_A_001", "00:00:07.0", "REC_001", "3.0", 0, 0.05, error), error);
    CHECK_OK(coeval_shoot_align(shoot, NULL, NULL, &again, error), error);
    CHECK(coeval_alignment_anchor_count(again) == 1);
    CHECK_OK(coeval_alignment_get_anchor(again, 0, &anchor, error), error);
    CHECK(anchor.contradicted == 1 && anchor.used == 0 && fabs(anchor.disagreement_s - 2.0) < 1e-3);
    coeval_alignment_free(&again);
    CHECK(strstr(coeval_alignment_to_json(alignment), "coeval.alignment/1") != NULL);
    CHECK_OK(coeval_alignment_from_json(coeval_alignment_to_json(alignment), &again, error), error);
    CHECK(strcmp(coeval_alignment_to_json(again), coeval_alignment_to_json(alignment)) == 0);
    coeval_alignment_free(&again);
    CHECK(coeval_alignment_event_count(alignment) == 1 && coeval_alignment_event_count(NULL) == 0);
    CHECK_OK(coeval_alignment_event(alignment, 1, &again, error), error);
    CHECK(coeval_alignment_file_count(again) == coeval_alignment_file_count(alignment));
    coeval_alignment_free(&again);
    CHECK(failed_with(coeval_alignment_event(alignment, 2, &again, error), COEVAL_INVALID_ARGUMENT, "event 2"));
    coeval_alignment_free(&alignment);
    coeval_shoot_free(&shoot);
    CHECK(failed_with(coeval_alignment_from_json("{}", &again, error), COEVAL_DAMAGED, "alignment"));
    shoot = coeval_shoot_new();
    CHECK_OK(coeval_shoot_add_path(shoot, "no/such/folder", error), error);
    CHECK(failed_with(coeval_shoot_align(shoot, NULL, NULL, &alignment, error), COEVAL_NOT_FOUND, "no/such/folder"));
    CHECK(strcmp(coeval_error_path(error), "no/such/folder") == 0);
    coeval_shoot_free(&shoot);
}

int main(int argc, char **argv) {
    error = coeval_error_new();
    versions_and_errors();
    log_of_failures();
    texts_and_bytes();
    tracks();
    track_is_as_long_as_its_sound();
    pairs();
    clock_maps();
    resampler(0, 5000);
    resampler(1, 333);
    positioned();
    markers();
    timecode();
    levels();
    speech();
    shared_sound_of_two();
    limiter(0);
    limiter(1);
    rough_cuts();
    shoots();
    tracks_of_one_recorder();
    if (argc > 1) demo(argv[1]);
    if (argc > 1) cards(argv[1]);
    if (argc > 1) card_of_files();
    coeval_error_free(&error);
    return finished("interface");
}

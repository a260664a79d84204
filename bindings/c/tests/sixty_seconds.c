/* A pair of 60 s, and the speech in 60 s of sound, through the C library. Its Rust twin is
 * examples/sixty_seconds.rs: both must print the same, to the last bit. */
#include <math.h>

#include "test.h"

/* Every probability as one number: FNV-1a (Fowler, Noll, Vo) over their bits. */
static uint64_t digest(const float *values, size_t count) {
    uint64_t hash = 0xcbf29ce484222325u;
    size_t i;
    int shift;
    for (i = 0; i < count; i++) {
        uint32_t bits;
        memcpy(&bits, &values[i], sizeof bits);
        for (shift = 0; shift < 32; shift += 8) hash = (hash ^ ((bits >> shift) & 0xff)) * 0x100000001b3u;
    }
    return hash;
}

static void speech(coeval_error *error) {
    coeval_speech_curve *curve = hear_speech(60 * 48000);
    coeval_speech_segments *segments = NULL;
    coeval_speech_segment segment;
    size_t count = coeval_speech_curve_probability(curve, NULL, 0), i;
    float *values = malloc(count * sizeof *values);
    CHECK(values != NULL && coeval_speech_curve_probability(curve, values, count) == count);
    printf("speech %lu %016llx\n", (unsigned long)count, (unsigned long long)digest(values, count));
    free(values);
    CHECK_OK(coeval_speech_curve_segments(curve, NULL, &segments, error), error);
    CHECK(coeval_speech_segments_count(segments) > 5);
    for (i = 0; i < coeval_speech_segments_count(segments); i++) {
        uint64_t start, end, confidence, band;
        segment.struct_size = sizeof segment;
        CHECK_OK(coeval_speech_segments_get(segments, i, &segment, error), error);
        memcpy(&start, &segment.start_s, sizeof start);
        memcpy(&end, &segment.end_s, sizeof end);
        memcpy(&confidence, &segment.confidence, sizeof confidence);
        memcpy(&band, &segment.outside_band_db, sizeof band);
        printf("%016llx %016llx %016llx %016llx %s\n", (unsigned long long)start, (unsigned long long)end,
               (unsigned long long)confidence, (unsigned long long)band,
               coeval_speech_segments_origin(segments, i, (double)NAN) == COEVAL_RADIO ? "radio" : "intercom");
        fprintf(stderr, "speech %.2f to %.2f s\n", segment.start_s, segment.end_s);
    }
    coeval_speech_segments_free(&segments);
    coeval_speech_curve_free(&curve);
}

int main(void) {
    /* b's clock is 40 ppm slow: what it counts as 48000 samples are 48001.92 of a's. */
    coeval_track *a = make_track(48000.0, 0, 60 * 48000, 31);
    coeval_track *b = make_track(48001.92, 96000, 50 * 48000, 32);
    coeval_error *error = coeval_error_new();
    coeval_pair *pair = NULL;
    coeval_pair_summary summary;
    uint64_t offset, drift;
    CHECK_OK(coeval_pair_align(a, b, NULL, NULL, NULL, &pair, error), error);
    summary.struct_size = sizeof summary;
    CHECK_OK(coeval_pair_get_summary(pair, &summary, error), error);
    CHECK(summary.placed == 1);
    memcpy(&offset, &summary.offset_s, sizeof offset);
    memcpy(&drift, &summary.drift_ppm, sizeof drift);
    printf("offset_s %016llx drift_ppm %016llx\n", (unsigned long long)offset, (unsigned long long)drift);
    fprintf(stderr, "offset_s %a (%.9f) drift_ppm %a (%.4f)\n", summary.offset_s, summary.offset_s,
            summary.drift_ppm, summary.drift_ppm);
    speech(error);
    coeval_pair_free(&pair);
    coeval_track_free(&a);
    coeval_track_free(&b);
    coeval_error_free(&error);
    return 0;
}

/* Where does each sound file lie on the clock of the first one?
 *
 *     align_wavs A.wav B.wav [C.wav ...]
 *
 * Reads 16-bit PCM itself, block by block, as a host would feed what it decodes. (Files of all kinds
 * are read by the library: see coeval_shoot_add_path.) */
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

#include <coeval.h>

static unsigned long little_endian(const unsigned char *bytes, int count) {
    unsigned long value = 0;
    while (count-- > 0) value = value << 8 | bytes[count];
    return value;
}

/* Finds the samples of a 16-bit WAV file; 0 when it is none. */
static int open_wav(FILE *file, unsigned long *rate, unsigned *channels, unsigned long *bytes) {
    unsigned char head[12], chunk[8], format[16];
    *channels = 0;
    if (fread(head, 1, 12, file) != 12 || memcmp(head, "RIFF", 4) != 0 || memcmp(head + 8, "WAVE", 4) != 0) return 0;
    while (fread(chunk, 1, 8, file) == 8) {
        unsigned long size = little_endian(chunk + 4, 4);
        if (memcmp(chunk, "data", 4) == 0) {
            *bytes = size;
            return *channels > 0;
        }
        if (memcmp(chunk, "fmt ", 4) == 0) {
            if (size < 16 || fread(format, 1, 16, file) != 16) return 0;
            if (little_endian(format, 2) != 1 || little_endian(format + 14, 2) != 16) return 0;
            *channels = (unsigned)little_endian(format + 2, 2);
            *rate = little_endian(format + 4, 4);
            size -= 16;
        }
        if (fseek(file, (long)(size + (size & 1)), SEEK_CUR) != 0) return 0;
    }
    return 0;
}

static coeval_track *track_of(const char *path, coeval_error *error) {
    FILE *file = fopen(path, "rb");
    coeval_track_builder *builder = NULL;
    coeval_track *track = NULL;
    unsigned char bytes[8192];
    float block[4096];
    unsigned long rate = 0, left = 0;
    unsigned channels = 0;
    coeval_status status;

    if (file == NULL || !open_wav(file, &rate, &channels, &left)) {
        fprintf(stderr, "%s: cannot be read, or is no 16-bit WAV file\n", path);
        if (file != NULL) fclose(file);
        return NULL;
    }
    status = coeval_track_builder_new((double)rate, channels, &builder, error);
    while (status == COEVAL_OK && left > 0) {
        size_t frame = 2 * (size_t)channels, want = sizeof bytes - sizeof bytes % frame, got, i;
        got = fread(bytes, 1, left < want ? left : want, file);
        got -= got % frame;
        if (got == 0) break;
        for (i = 0; i < got / 2; i++) {
            long sample = (long)little_endian(bytes + 2 * i, 2);
            block[i] = (float)(sample < 32768 ? sample : sample - 65536) / 32768.0f;
        }
        status = coeval_track_builder_push_interleaved(builder, block, got / frame, error);
        left -= (unsigned long)got;
    }
    if (status == COEVAL_OK) status = coeval_track_builder_finish(&builder, &track, error);
    if (status != COEVAL_OK) fprintf(stderr, "%s: %s\n", path, coeval_error_text(error));
    coeval_track_builder_free(&builder);
    fclose(file);
    return track;
}

static int32_t show_progress(void *user, const char *stage, double done) {
    (void)user;
    fprintf(stderr, "\r%-20s %3.0f %%", stage, 100.0 * done);
    return 0;
}

int main(int argc, char **argv) {
    coeval_error *error = coeval_error_new();
    coeval_track *first, *other = NULL;
    int i, failures = 0;

    if (argc < 3) {
        fprintf(stderr, "usage: %s A.wav B.wav [C.wav ...]\n", argv[0]);
        coeval_error_free(&error);
        return 2;
    }
    if (coeval_abi_version() != COEVAL_ABI_VERSION) {
        fprintf(stderr, "this library has another interface than the header this was built with\n");
        return 2;
    }
    first = track_of(argv[1], error);
    for (i = 2; first != NULL && i < argc; i++) {
        coeval_pair *pair = NULL;
        coeval_pair_summary found;
        found.struct_size = sizeof found;
        other = track_of(argv[i], error);
        if (other == NULL) {
            failures++;
            continue;
        }
        if (coeval_pair_align(first, other, NULL, show_progress, NULL, &pair, error) != COEVAL_OK ||
            coeval_pair_get_summary(pair, &found, error) != COEVAL_OK) {
            fprintf(stderr, "\n%s: %s\n", argv[i], coeval_error_text(error));
            failures++;
        } else if (found.placed) {
            fprintf(stderr, "\n");
            printf("%s: starts at %.6f s, drift %.2f ppm, confidence %.4f, uncertainty %.6f s\n", argv[i],
                   found.offset_s, found.drift_ppm, found.confidence, found.uncertainty_s);
        } else {
            fprintf(stderr, "\n");
            printf("%s: unplaced: %s\n", argv[i], coeval_pair_reason(pair));
        }
        coeval_pair_free(&pair);
        coeval_track_free(&other);
    }
    failures += first == NULL;
    coeval_track_free(&first);
    coeval_error_free(&error);
    return failures > 0;
}

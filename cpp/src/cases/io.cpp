#include <lobetime/cases/io.hpp>
#include <lobetime/core/errors.hpp>

#include <fcntl.h>
#include <sys/stat.h>
#include <unistd.h>
#include <atomic>
#include <cerrno>
#include <cstring>
#include <utility>

namespace lobetime {
namespace {

[[noreturn]] void fail(const std::string& what, const std::filesystem::path& path, int reason) {
    throw Error(path.string() + ": cannot " + what + ": " + std::strerror(reason));
}

/// An open file; closed at the end of its scope.
class File {
public:
    File(const std::filesystem::path& path, int flags, mode_t mode = 0)
        : descriptor_(::open(path.c_str(), flags, mode)) {}
    ~File() { close(); }
    File(const File&) = delete;
    File& operator=(const File&) = delete;

    bool is_open() const { return descriptor_ >= 0; }
    ssize_t read(char* to, std::size_t size) const { return ::read(descriptor_, to, size); }
    ssize_t write(const char* from, std::size_t size) const { return ::write(descriptor_, from, size); }
    bool sync() const { return ::fsync(descriptor_) == 0; }
    bool close() { return descriptor_ < 0 || ::close(std::exchange(descriptor_, -1)) == 0; }

private:
    int descriptor_;
};

std::filesystem::path name_beside(const std::filesystem::path& path) {
    static std::atomic<unsigned> counter{0};
    const std::string suffix = std::to_string(::getpid()) + "-" + std::to_string(counter++);
    return path.parent_path() / ("." + path.filename().string() + "." + suffix + ".part");
}

bool write_all(const std::filesystem::path& path, std::string_view content) {
    File file(path, O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0666);
    if (!file.is_open()) return false;
    while (!content.empty()) {
        const ssize_t written = file.write(content.data(), content.size());
        if (written < 0 && errno == EINTR) continue;
        if (written < 0) return false;
        content.remove_prefix(static_cast<std::size_t>(written));
    }
    return file.sync() && file.close();
}

}  // namespace

std::string read_whole(const std::filesystem::path& path) {
    const File file(path, O_RDONLY | O_CLOEXEC);
    if (!file.is_open()) fail("be read", path, errno);
    std::string content;
    char block[1 << 16];
    for (;;) {
        const ssize_t size = file.read(block, sizeof block);
        if (size < 0 && errno == EINTR) continue;
        if (size < 0) fail("be read", path, errno);
        if (size == 0) return content;
        content.append(block, static_cast<std::size_t>(size));
    }
}

void write_whole(const std::filesystem::path& path, std::string_view content) {
    // A link keeps pointing where it points: its target is what gets replaced.
    std::error_code no_target;
    const auto resolved = std::filesystem::canonical(path, no_target);
    const auto& target = no_target ? path : resolved;
    const auto part = name_beside(target);
    if (!write_all(part, content) || ::rename(part.c_str(), target.c_str()) != 0) {
        const int reason = errno;
        ::unlink(part.c_str());
        fail("be written", path, reason);
    }
    // The name is safe on disk only when the folder is, too; some file systems cannot do that, which is no failure.
    const auto folder = target.parent_path();
    const File directory(folder.empty() ? "." : folder, O_RDONLY | O_DIRECTORY | O_CLOEXEC);
    if (directory.is_open()) static_cast<void>(directory.sync());
}

}  // namespace lobetime
